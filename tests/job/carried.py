"""A job carried to an open gate, as files in a folder, for each route: what the tests then take away or alter."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from drivecare.documents import Value
from drivecare.fit.model import JudgedCandidate, Plan, ReplacedDrive
from drivecare.job.attestations import make_fact
from drivecare.job.model import Fact, Opening
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive, Values
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from drivecare.risk.model import Assessment, Chance, Finding, Sale, Verdict
from drivecare.transfer.areas import Area
from drivecare.transfer.files.bag import BagReceipt, BagVerification, TreeEnd
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Unreadable, Verification, end_of_drive

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
READ_AT = "2026-11-25T10:00:00+00:00"
READ_AGAIN_AT = "2026-11-25T11:45:00+00:00"  # after every fact, which `fact` records at 11:30
SIZE = 64 << 20
AREA = Area(offset=1 << 20, length=8192)
HOST = "marlow-mc2-r3"

OPENING = Opening(
    id="1042",
    opened_at="2026-11-25T09:00:00+00:00",
    by="ann",
    host=HOST,
    label="MC2 rev 3",
    complaint="hangs at the start screen",
)


def drive(model: str, serial: str, wwn: str | None) -> Drive:
    identity = Identity(wwn=wwn, native_serial=serial, strength="strong")
    return Drive(model=model, serial=serial, kind="hdd", identity=identity, capacity_bytes=SIZE)


OLD = drive("Kestrel KD-500", "KX25-00417", "50c0ffe0a1b20417")
NEW = drive("Petrel PM-500", "PM6-311842", "50c0ffe0b7031842")
OTHER = drive("Petrel PM-500", "PM6-999999", "50c0ffe0b7999999")


def pending(count: int, verdict: Verdict = "evacuate") -> Finding:
    return Finding(
        signal="pending",
        label="sectors waiting to be remapped",
        observed=count,
        limit=0,
        severity=verdict if verdict in ("evacuate", "recheck") else "note",
        fault_class="media",
        source="judgement: observed loss",
        source_kind="judgement",
        action="copy first",
    )


def assessment(
    of: Drive,
    verdict: Verdict,
    *,
    sale: Sale = "used",
    findings: tuple[Finding, ...] = (),
    path: str = "/dev/sdb",
    read_at: str | None = READ_AT,
) -> Assessment:
    return Assessment(
        read_at=read_at,
        path=path,
        drive=of,
        values=Values(power_on_hours=21904),
        sale=sale,
        verdict=verdict,
        headline=f"It is {verdict}.",
        failure_12_months=Chance(basis="none"),
        findings=findings,
        way_out="another cable, read 100 GB, read again" if verdict == "recheck" else None,
    )


def plan(*, host: str = HOST, source: Drive = OLD, chosen: Drive = NEW, **more: object) -> Plan:
    planned = ReplacedDrive(model=source.model, serial=source.serial, identity=source.identity, verdict="evacuate")
    judged = JudgedCandidate(
        name=str(chosen.model), fits="yes", model=chosen.model, serial=chosen.serial, identity=chosen.identity
    )
    values: dict[str, object] = {
        "host": host,
        "host_name": "Marlow MC2",
        "label": "MC2 rev 3",
        "migration": "sector-copy",
        "source": planned,
        "candidates": (judged,),
        "chosen": judged.name,
        **more,
    }
    return Plan(**values)  # type: ignore[arg-type]


def device(of: Drive, path: str) -> End:
    return end_of_drive(path, SIZE, of)


def image(path: str) -> End:
    return End(path=path, kind="image", size_bytes=SIZE)


def receipt(source: End, target: End, **more: object) -> Receipt:
    values: dict[str, object] = {
        "source": source,
        "target": target,
        "bytes_total": SIZE,
        "bytes_copied": SIZE - AREA.length,
        "digest": Digest(whole="ab" * 32, chunk_bytes=1 << 20, chunks=("cd" * 32,) * 64),
        "unreadable": (Unreadable(offset=AREA.offset, length=AREA.length),),
        "fill": "00",
        "verified": True,
        "verification": Verification(method="direct", at="2026-11-25T11:00:00+00:00"),
        "started": "2026-11-25T10:30:00+00:00",
        "finished": "2026-11-25T11:00:00+00:00",
        "tool_version": "0",
        **more,
    }
    return Receipt(**values)  # type: ignore[arg-type]


def bag(**more: object) -> BagReceipt:
    values: dict[str, object] = {
        "source": TreeEnd(path="/mnt/old", identity=OLD.identity),
        "target": TreeEnd(path="/mnt/new", identity=NEW.identity),
        "files": 12,
        "bytes_total": 34567,
        "manifest_sha256": "ab" * 32,
        "verified": True,
        "verification": BagVerification(method="direct", at="2026-11-25T11:00:00+00:00"),
        "started": "2026-11-25T10:30:00+00:00",
        "finished": "2026-11-25T11:00:00+00:00",
        "tool_version": "0",
        **more,
    }
    return BagReceipt(**values)  # type: ignore[arg-type]


def fact(name: str, about: str | None = None, *, note: str | None = None, areas: tuple[Area, ...] = (AREA,)) -> Fact:
    return make_fact(name, about, note=note, at="2026-11-25T11:30:00+00:00", by="ann", areas=areas)


def data_route() -> list[Value]:
    """Old drive dying, its data copied to the planned and inspected new drive."""
    return [
        fact("consent", note="signed sheet"),
        assessment(OLD, "evacuate", findings=(pending(24),)),
        plan(),
        assessment(NEW, "refit", sale="new", path="/dev/sdc"),
        receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")),
        fact("unreadable", str(AREA.offset)),
        fact("detached"),
    ]


def empty_route() -> list[Value]:
    """Old drive dead weight, the unit sets up the new one itself."""
    return [
        fact("consent"),
        fact("no-data"),
        assessment(OLD, "replace"),
        plan(migration="unit-initialises"),
        assessment(NEW, "refit", sale="new"),
    ]


def same_route() -> list[Value]:
    """The drive was not the fault."""
    return [fact("consent"), assessment(OLD, "refit")]


def filed(folder: Path, documents: list[Value], *, opening: Opening = OPENING) -> JobFolder:
    """A new job holding these documents in this order."""
    job = FolderRecord(root=folder).create(opening)
    timed = JobFolder(path=job.path, now=lambda: NOW)
    for document in documents:
        timed.file(document)
    return timed
