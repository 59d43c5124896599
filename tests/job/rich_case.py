"""Jobs as a shop has them, for looking at the sheet: the demo's drives, a plan, a scan; and one that is hostile."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import msgspec

from drivecare.documents import Value
from drivecare.fit.model import FitCheck, JudgedCandidate, Plan, ReplacedDrive
from drivecare.fit.steps import CAUTIONS
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.model import Closing, ImageLeft
from drivecare.reading.decode import decode_report
from drivecare.reading.surface import SlowArea, SpeedPoint, SurfaceScan, UnreadableArea
from drivecare.record.job_folder import JobFolder
from drivecare.risk.assess import assess
from drivecare.risk.model import Assessment
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Unreadable, Verification, end_of_drive
from tests.job.carried import AREA, HOST, NOW, OPENING, fact, filed

SIZE = 64 << 20
HOSTILE = "<script>alert('x')</script><img src=x onerror=alert(1)>{{ 7*7 }}\"'&\u202e"


def recorded(name: str, *, as_new: bool = False) -> Assessment:
    """One of the demo's drives, judged."""
    text = resources.files("drivecare.demo_data").joinpath(name).read_text("utf-8")
    return assess(decode_report(text), as_new=as_new)


def scan(serial: str = "KX25-00417") -> SurfaceScan:
    """A surface that slows towards its end, with a hole and two slow spots. Invented."""
    curve = tuple(SpeedPoint(offset=n * SIZE // 120, mb_per_s=112 - n * 0.45 + (n * 7 % 5)) for n in range(120))
    return SurfaceScan(
        path="/dev/sdb",
        serial=serial,
        started="2026-11-25T10:40:00+00:00",
        finished="2026-11-25T11:00:00+00:00",
        bytes_total=SIZE,
        bytes_read=SIZE // 10,
        sample_percent=10,
        unreadable=(UnreadableArea(offset=21_037_056, length=4096),),
        slow=(
            SlowArea(offset=20 << 20, length=1 << 20, milliseconds=340, expected_milliseconds=9),
            SlowArea(offset=44 << 20, length=1 << 20, milliseconds=120, expected_milliseconds=11),
        ),
        curve=curve,
    )


def plan(old: Assessment, new: Assessment) -> Plan:
    """The chosen drive and eight that do not fit, each for its own reason."""
    passed = tuple(
        FitCheck(check=name, result="pass", reason="as the bay wants it", source="SFF-8201")
        for name in ("form-factor", "height", "holes", "connector", "protocol", "supply", "capacity", "sector-format")
    )
    warned = FitCheck(
        check="height",
        result="warn",
        reason="7.0 mm in a bay for 9.5 mm: it sits loose without the 2.5 mm spacer",
        source="SFF-8201",
    )
    chosen = JudgedCandidate(
        name="Petrel PM-500",
        fits="yes",
        checks=(*passed, warned),
        rank=1,
        model=new.drive.model,
        serial=new.drive.serial,
        identity=new.drive.identity,
        capacity_bytes=SIZE,
    )
    reasons = (
        "12.5 mm is taller than the bay's 9.5 mm",
        "holds 500,000,000,000 bytes, 107,862,016 fewer than the old drive",
        "needs 1.4 A at 5 V, the unit gives 1.0 A",
        "SAS does not go into a SATA plug",
        "4096-byte logical sectors, the unit starts from 512 only",
        "3.5-inch body in a 2.5-inch bay",
        "shingled recording stalls under this unit's writing",
        "2 TB is more than its firmware starts from",
    )
    others = tuple(
        JudgedCandidate(
            name=f"{maker} {number}",
            fits="no",
            checks=(FitCheck(check="x", result="block", reason=reason, source="x"),),
        )
        for number, (maker, reason) in enumerate(
            zip(("Heron", "Plover", "Dunlin", "Curlew") * 2, reasons, strict=True), 20
        )
    )
    source = ReplacedDrive(
        model=old.drive.model,
        serial=old.drive.serial,
        identity=old.drive.identity,
        capacity_bytes=SIZE,
        verdict="evacuate",
    )
    return Plan(
        host=HOST,
        host_name="Corvane Hearth, revision 21",
        label="CH-2103",
        migration="sector-copy",
        source=source,
        candidates=(chosen, *others),
        chosen=chosen.name,
        cautions=CAUTIONS,
    )


def receipt(old: Assessment, new: Assessment, unreadable: tuple[Area, ...]) -> Receipt:
    """A whole copy, verified."""
    lost = tuple(
        area if isinstance(area, Unreadable) else Unreadable(offset=area.offset, length=area.length)
        for area in unreadable
    )
    return Receipt(
        source=end_of_drive("/dev/sdb", SIZE, old.drive),
        target=end_of_drive("/dev/sdc", SIZE, new.drive),
        bytes_total=SIZE,
        bytes_copied=SIZE - sum(area.length for area in unreadable),
        digest=Digest(whole="5f3a" * 16, chunk_bytes=1 << 20, chunks=("cd" * 32,) * 64),
        unreadable=lost,
        fill="text",
        verified=True,
        verification=Verification(method="direct", at="2026-11-25T11:40:00+00:00"),
        started="2026-11-25T10:40:00+00:00",
        finished="2026-11-25T11:40:00+00:00",
        tool_version="0",
    )


def usual() -> list[Value]:
    """The demo's job to its good end."""
    old, new = recorded("failing-drive.txt"), recorded("new-drive.txt", as_new=True)
    return [
        fact("consent", note="signed on the claim ticket"),
        old,
        plan(old, new),
        new,
        receipt(old, new, (AREA,)),
        scan(),
        fact("unreadable", str(AREA.offset), note="by telephone"),
        fact("detached"),
        Closing(
            at="2026-11-25T11:55:00+00:00",
            by="ann",
            unit_started=True,
            old_drive="returned",
            gate_open=True,
            images=(ImageLeft(path="/jobs/1042/images/x.img", fate="removed"),),
        ),
    ]


def refitted() -> list[Value]:
    """Nothing wrong with the drive."""
    return [fact("consent"), recorded("new-drive.txt"), msgspec.structs.replace(scan("PM6-311842"), unreadable=())]


def unfinished() -> list[Value]:
    """Shut: read and planned, no more."""
    old, new = recorded("failing-drive.txt"), recorded("new-drive.txt", as_new=True)
    return [old, plan(old, new)]


def photo(number: int) -> Hold:
    """A photo with a long name."""
    path = f"/Users/Ana/Pictures/2024/Summer on the island/IMG_{number:04}.jpg"
    return Hold(kind="file", partition=1, path=path, file=number + 1, file_kind="photo", size_bytes=9000, bytes=512)


def full() -> list[Value]:
    """A long job of ordinary words: two readings, a chain through an image, many of everything that can be many."""
    old, new = recorded("failing-drive.txt"), recorded("new-drive.txt", as_new=True)
    made = plan(old, new)
    more = tuple(
        msgspec.structs.replace(one, name=f"{one.name}-{n}00") for n in range(4) for one in made.candidates[1:]
    )
    cautions = (*CAUTIONS, "The caddy of one revision does not go into another.", "Pairing: it may refuse a copy.")
    made = msgspec.structs.replace(made, candidates=(*made.candidates, *more), cautions=cautions)
    areas = tuple(Unreadable(offset=n * 8192, length=512, holds=(photo(n),)) for n in range(40))
    image = End(path="/srv/shop/jobs/1042/images/kestrel-kd-500.img", kind="image", size_bytes=SIZE)
    to_new = receipt(old, new, areas)
    to_image = msgspec.structs.replace(to_new, target=image)
    from_image = msgspec.structs.replace(to_new, source=image, parents=("5f3a" * 16,))
    note = "told by telephone on the second call, wants the rest all the same, asks for a list"
    told = [
        msgspec.structs.replace(fact("detached"), fact="unreadable", about=f"{area.offset}+{area.length}", note=note)
        for area in areas[:20]
    ]
    notes = [fact("note", note=f"call {number}: {note}") for number in range(4)]
    read = [fact("consent", note=note), old, old, made, new]
    return [*read, to_image, from_image, scan(), *told, *notes, fact("names-agreed"), fact("detached")]


def hostile() -> list[Value]:
    """Every text a drive, a customer or a hand may bring, long and with markup; more than a page holds."""
    old, new = recorded("failing-drive.txt"), recorded("new-drive.txt", as_new=True)
    long = HOSTILE * 12
    bad_drive = msgspec.structs.replace(old.drive, model=long, firmware=long, serial="S" * 120, family=long)
    findings = tuple(msgspec.structs.replace(one, source=long, label=long) for one in (*old.findings, *old.findings))
    old = msgspec.structs.replace(old, drive=bad_drive, findings=findings, headline=long, limits=(long,) * 9)
    made = plan(old, new)
    many = JudgedCandidate(
        name=long, fits="no", checks=(FitCheck(check="x", result="block", reason=long, source=long),)
    )
    checks = tuple(FitCheck(check=f"check-{n}", result="warn", reason=long, source=long) for n in range(4))
    chosen = msgspec.structs.replace(made.candidates[0], name=long, checks=checks)
    made = msgspec.structs.replace(
        made,
        host_name=long,
        candidates=(chosen, *(msgspec.structs.replace(many, name=f"{n} {long}") for n in range(30))),
        chosen=long,
        cautions=(*CAUTIONS, long, long, long),
    )
    areas = tuple(Area(offset=n * 8192, length=512) for n in range(2000))
    return [
        *(fact("consent", note=long) for _ in range(9)),
        old,
        old,
        made,
        new,
        receipt(old, new, areas),
        scan("S" * 120),
        fact("detached", note=long),
    ]


def opened(folder: Path, documents: list[Value], *, complaint: str | None = None) -> tuple[JobFolder, JobState]:
    """The job in a folder, and its state."""
    opening = msgspec.structs.replace(
        OPENING,
        host_name="Corvane Hearth, revision 21",
        label="CH-2103",
        complaint=complaint or "It hangs at the start screen, and sometimes it clicks.",
    )
    job = filed(folder, documents, opening=opening)
    return job, load_job_state(job.read(), now=NOW)
