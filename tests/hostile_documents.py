"""Documents made to use up the machine, or damaged, and every command that reads one of their kind."""

from __future__ import annotations

import gzip
import hashlib
import json
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import msgspec

from drivecare.documents import MOST_BYTES, encode
from drivecare.transfer.areas import Area
from drivecare.transfer.sectors.journal import CopiedRun, Waiting, new_journal, sealed
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Unreadable
from tests.fit.samples import PROFILE
from tests.job.carried import OLD, data_route, device, filed, image, receipt

MIB = 1 << 20
DEEP = 200_000
SOURCE = bytes(MIB)

DEMO = resources.files("drivecare.demo_data").joinpath("failing-drive.txt").read_text("utf-8")

Make = Callable[[], bytes]


def _about(schema: str) -> dict[str, Make]:
    """What may stand in the place of any JSON document of ours."""
    head = b'{"schema": "drivecare/%s", ' % schema.encode()
    return {
        "nested arrays": lambda: b"[" * DEEP,
        "nested objects in a key that is skipped": lambda: head + b'"x": ' + b'{"a":' * DEEP + b"1" + b"}" * (DEEP + 1),
        "nested and closed": lambda: head + b'"x": ' + b"[" * DEEP + b"]" * DEEP + b"}",
        "quotation marks without end": lambda: head + b'"x": "' + b'\\"' * 4_000_000,
        "a number of a million digits": lambda: head + b'"bytes_total": ' + b"9" * MIB + b"}",
        "a number beyond floats": lambda: head + b'"bytes_total": 1e999999}',
        "a million keys": lambda: head + b'"k": 1, ' * MIB + b'"x": 1}',
        "empty": lambda: b"",
        "zeros": lambda: bytes(100_000),
        "no text": lambda: b'{"schema": "\xff\xfe"}',
        "cut short": lambda: head,
        "a list": lambda: b"[]",
        "another document": lambda: b'{"schema": "drivecare/plan-1"}',
        "too large": lambda: b" " * (MOST_BYTES + 1),
    }


RECEIPTS: dict[str, Make] = {
    **_about("receipt-1"),
    "500,000 areas": lambda: encode(_receipt(unreadable=_areas(500_000))),
    "500,000 areas read back wrong": lambda: encode(_receipt(verified=False, mismatched=_areas(500_000))),
    "one-byte chunks over a terabyte": lambda: encode(_receipt(bytes_total=10**12, digest=_digest(1, 65_536))),
    "sizes beyond any drive": lambda: encode(_receipt(bytes_total=2**63 - 1, digest=_digest(1 << 20, 1))),
    "a negative size": lambda: encode(_receipt()).replace(b'"bytes_total": 1048576', b'"bytes_total": -1'),
    "a chunk of no bytes": lambda: encode(_receipt()).replace(b'"chunk_bytes": 1048576', b'"chunk_bytes": 0'),
    "a path that none can be": lambda: encode(_receipt(target=image("a\0b"))),
    "a path of a million letters": lambda: encode(_receipt(target=image("a/" * (MIB // 2)))),
}

JOURNALS: dict[str, Make] = {
    **_about("journal-1"),
    "one-byte chunks over a terabyte": lambda: _journal(
        chunk_bytes=1, bytes_total=10**12, copied=(CopiedRun(offset=0, length=10**12, digests=b"x" * 32),)
    ),
    "one-byte chunks and nothing copied": lambda: _journal(chunk_bytes=1, bytes_total=10**12),
    "300,000 waiting areas backwards": lambda: _journal(
        bytes_total=10**12, waiting=tuple(Waiting(offset=n * 4096, length=512, stage=1) for n in range(300_000, 0, -1))
    ),
    "a seal that is not its own": lambda: _journal().replace(b'"reads": 0', b'"reads": 9'),
}

READINGS: dict[str, Make] = {
    **_about("reading-1"),
    "a report of a million empty lines": lambda: DEMO.encode() + b"\n" * 900_000,
    "a report too long to be one": lambda: DEMO.encode() + b"x: y\n" * MIB,
    "a report of one long line": lambda: DEMO.encode() + b"A:" + b" " * 900_000 + b"x",
    "a report of spaces": lambda: DEMO.encode() + (b"A:" + b" " * 4000 + b"x\n") * 200,
    "a saved reading with such a report": lambda: (
        b'{"schema": "drivecare/reading-1", "raw": {"text": %s}}' % json.dumps(DEMO + "\n" * 900_000).encode()
    ),
    "a program": lambda: b"\x7fELF" + bytes(5000),
}

PROFILES: dict[str, Make] = {
    "nested arrays": lambda: PROFILE.encode() + b"\nx = " + b"[" * 100_000,
    "nested tables": lambda: b"x = " + b"{a=" * 100_000,
    "nested behind a string with one quote more": lambda: b"x = ['''x'''', " + b"[" * 100_000,
    "a dotted key of 200 kB": lambda: b"a." * 100_000 + b"b = 1",
    "a quoted dotted key of 200 kB": lambda: b'"a".' * 50_000 + b"b = 1",
    "a header of 200 kB": lambda: b"[" + b"a." * 100_000 + b"b]",
    "a number of 5,000 digits": lambda: b"x = " + b"9" * 5000,
    "a string without end": lambda: b'x = """' + b'"" ' * 300_000,
    "escapes without end": lambda: b'x = "' + b'\\"' * 500_000,
    "a day that is none": lambda: b"x = 2026-13-45",
    "a letter a million times": lambda: b"a" * 1_000_000,
    "too large": lambda: b"#" * (MIB + 1),
    "no text": lambda: b"\xff\xfe",
    "zeros": lambda: bytes(1000),
    "empty": lambda: b"",
    "every number wrong": lambda: PROFILE.replace("9.5", "95").replace('"sata"', '"scart"').encode(),
}

TABLES: dict[str, Make] = {
    "n/a": lambda: b"model,smart_5_raw\nx,0\nx,n/a\nx,0\n",
    "words for numbers": lambda: b"model,smart_5_raw\n" + b"x,many\n" * 5000,
    "rows of another width": lambda: b"model,smart_5_raw\nx,0\n" + b"x\n" * 5000,
    "a line without end": lambda: b"model,smart_5_raw\n" + b"x" * (40 * MIB),
    "a line without end, packed": lambda: gzip.compress(b"model,smart_5_raw\n" + b"x" * (40 * MIB), 1),
    "a header without end": lambda: b"smart_5_raw," * (2 * MIB),
    "quotation marks": lambda: b'model,smart_5_raw\n"' + b'"a",\n"' * 20_000,
    "zeros": lambda: b"model,smart_5_raw\n" + bytes(MIB),
    "no text": lambda: b"model,smart_5_raw\n\xff,1\n",
    "two-byte letters": lambda: "model,smart_5_raw\nx,1\n".encode("utf-16"),
    "a number of a million digits": lambda: b"model,smart_5_raw\nx," + b"9" * 900_000 + b"\n",
    "a damaged archive": lambda: gzip.compress(b"model,smart_5_raw\nx,1\n" * 1000)[:-30],
    "empty": lambda: b"",
}

STOCK_LISTS: dict[str, Make] = {
    "cells that mean nothing": lambda: b"model,height,capacity\nGood,9.5,500 GB\n" + b"K,tall,big\n" * 5000,
    "more than a shelf holds": lambda: b"model\n" + b"K\n" * 500_000,
    "empty lines": lambda: b"model\n" + b"\n" * 5_000_000,
    "a quoted cell without end": lambda: b'model\n"' + b"K\n" * 500_000,
    "cells that are read in the square of their length": lambda: (
        b"model,price\n" + (b'K,"1' + b", " * 60_000 + b'1x"\n') * 20
    ),
    "a number of a thousand digits": lambda: b"model,capacity,height\nK," + b"9" * 1000 + b" bytes,1e999\n",
    "a million columns": lambda: b"a," * MIB + b"model\nK\n",
    "thousands of one name": lambda: b"model\n" + b"K\n" * 9000,
    "a program": lambda: b"\x7fELF" + bytes(5000),
    "no text": lambda: b"\xff\xfe\x00",
    "empty": lambda: b"",
}

Words = tuple[str, ...]
Use = Callable[[Path, bytes], Words]


def _put(name: str, *words: str) -> Use:
    """The document as a file, and the command that is given it."""

    def use(folder: Path, document: bytes) -> Words:
        (folder / name).write_bytes(document)
        return words

    return use


def _verify_a_target(folder: Path, document: bytes) -> Words:
    (folder / "t.img").write_bytes(SOURCE)
    return _put("r.json", "verify", "r.json", "t.img")(folder, document)


def _copy_an_image_with_its_receipt(folder: Path, document: bytes) -> Words:
    (folder / "s.img").write_bytes(SOURCE)
    return _put("s.img.receipt.json", "copy", "s.img", "t.img")(folder, document)


def _resume(folder: Path, document: bytes) -> Words:
    for name in ("s.img", "t.img"):
        (folder / name).write_bytes(SOURCE)
    return _put("t.img.journal.json", "copy", "s.img", "t.img", "--resume")(folder, document)


def _resume_a_scan(folder: Path, document: bytes) -> Words:
    from drivecare.work.scan_surface import ScanRequest

    (folder / "s.img").write_bytes(SOURCE)
    ScanRequest(path=str(folder / "s.img")).state_path.write_bytes(document)
    return "readscan", "s.img", "--resume"


def _in_a_job(*words: str) -> Use:
    """The document in the place of a job's newest result of its kind."""

    def use(folder: Path, document: bytes) -> Words:
        job = filed(folder / "jobs", data_route())
        next(job.path.glob("*-receipt-*.json")).write_bytes(document)
        return *words, "--jobs", "jobs"

    return use


def _as_profile(*words: str) -> Use:
    def use(folder: Path, document: bytes) -> Words:
        (folder / "hosts").mkdir()
        (folder / "hosts" / "ours.toml").write_bytes(document)
        return words

    return use


def _in_a_bag(folder: Path, document: bytes) -> Words:
    (folder / "bag" / "data").mkdir(parents=True)
    (folder / "bag" / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (folder / "bag" / "data" / "a").write_bytes(b"a")
    (folder / "bag" / "manifest-sha256.txt").write_text(f"{hashlib.sha256(b'a').hexdigest()}  data/a\n")
    from drivecare.transfer.files import bag

    (folder / "bag" / bag.BAG_RECEIPT).write_bytes(document)
    return "verify", "bag"


# kind of document: (the documents, the commands that read one)
READERS: dict[str, tuple[dict[str, Make], dict[str, Use]]] = {
    "receipt": (
        RECEIPTS,
        {
            "verify": _put("r.json", "verify", "r.json"),
            "verify TARGET": _verify_a_target,
            "copy an image": _copy_an_image_with_its_receipt,
            "gate": _in_a_job("gate", "1042"),
            "job show": _in_a_job("job", "show", "1042"),
            "job list": _in_a_job("job", "list"),
            "history": _in_a_job("history", "KX25-00417"),
            "handover": _in_a_job("handover", "1042", "--output", "sheet.html"),
            "job export": _in_a_job("job", "export", "1042", "--output", "job.tar.gz"),
        },
    ),
    "bag receipt": (_about("bag-1"), {"verify": _in_a_bag}),
    "journal": (JOURNALS, {"copy --resume": _resume}),
    "state of a scan": (_about("scan-state-1"), {"readscan --resume": _resume_a_scan}),
    "reading": (
        READINGS,
        {
            "assess": _put("r", "assess", "r"),
            "plan --reading": _put("r", "plan", "--host", "CH-2103", "--reading", "r"),
            "plan --candidate": _put("r", "plan", "--host", "CH-2103", "--candidate", "r"),
        },
    ),
    "profile": (
        PROFILES,
        {
            "hosts check": _put("p.toml", "hosts", "check", "p.toml"),
            "hosts list": _as_profile("hosts", "list"),
            "plan": _as_profile("plan", "--host", "CH-2103"),
            "job new": _as_profile("job", "new", "1", "--host", "CH-2103", "--complaint", "x", "--jobs", "jobs"),
            "doctor": _as_profile("doctor"),
        },
    ),
    "table": (
        TABLES,
        {
            "assess-table": _put("t.csv", "assess-table", "t.csv"),
            "assess-table --output": _put("t.csv", "assess-table", "t.csv", "--output", "judged.csv"),
        },
    ),
    "stock list": (STOCK_LISTS, {"plan --stock": _put("s.csv", "plan", "--host", "CH-2103", "--stock", "s.csv")}),
}


def _receipt(**more: object) -> Receipt:
    target = more.pop("target", End(path="t.img", kind="image", size_bytes=MIB))
    whole = {"bytes_total": MIB, "bytes_copied": MIB, "unreadable": (), "digest": _digest(MIB, 1)}
    return receipt(device(OLD, "/dev/x"), target, **(whole | more))  # type: ignore[arg-type]


def _digest(chunk_bytes: int, count: int) -> Digest:
    return Digest(whole="ab" * 32, chunk_bytes=chunk_bytes, chunks=("cd" * 32,) * count)


def _areas(count: int) -> tuple[Area, ...]:
    return tuple(Unreadable(offset=number * 4096, length=512) for number in range(count))


def _journal(**more: object) -> bytes:
    ends = (End(path="s.img", kind="image", size_bytes=MIB), End(path="t.img", kind="image", size_bytes=MIB))
    made = msgspec.structs.replace(new_journal(*ends, started="2026-11-25T10:00:00+00:00"), **more)
    return encode(sealed(made))
