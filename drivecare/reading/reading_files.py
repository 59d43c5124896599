"""Readings from files: a saved reading (JSON), or the report of one drive as the backend prints it, text or JSON."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from drivecare.documents import MOST_REPORT_BYTES, decode, read_bytes
from drivecare.errors import BadInput, NoDrive
from drivecare.reading.backend_json import read_backend_json
from drivecare.reading.decode import decode_report, split_reports
from drivecare.reading.kernel_facts import decode_attached
from drivecare.reading.model import Reading
from drivecare.reading.report_text import text_of, utf_16_of
from drivecare.reading.sequence import in_order

_READING_HINT = "Give a saved reading (JSON) or the text report of one drive."


def load_reading(path: Path) -> Reading:
    """Load the reading at `path`, decoded afresh from its raw report; saving it again gives the same bytes.

    Raises NoDrive where the file names no drive, BadInput where it cannot be used, each naming the file.
    """
    return load_readings(path)[-1]


def load_readings(path: Path) -> tuple[Reading, ...]:
    """Load every reading in the file at `path`, oldest first: a text may hold reports of one drive at several times."""
    return readings_of(read_bytes(path), origin=str(path))


def reading_of(data: bytes, *, origin: str) -> Reading:
    """Decode the bytes of a saved reading or of a report, the newest in them; `origin` names them in errors."""
    return readings_of(data, origin=origin)[-1]


def readings_of(data: bytes, *, origin: str) -> tuple[Reading, ...]:
    """Decode every reading in these bytes, oldest first."""
    if not data.strip():
        raise BadInput("is empty", location=origin, hint=_READING_HINT)
    try:
        document = data.removeprefix(b"\xef\xbb\xbf")
        if utf_16_of(data) or not document.lstrip().startswith(b"{"):
            _refuse_length(len(data))
            text = text_of(data, origin=origin)
            if not text.lstrip().startswith("{"):
                return in_order(_tell_apart(decode_report(report) for report in split_reports(text)))
            document = text.encode()
        if raw := read_backend_json(document, origin=origin):
            _refuse_length(len(raw.text))
            return (decode_report(raw),)
        return (_decode_again(decode(Reading, document, origin=origin)),)
    except BadInput as error:
        if error.location is None:
            raise type(error)(error.problem, location=origin, hint=error.hint) from error
        raise


def _tell_apart(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Each of several readings once, a mere name left out."""
    different: list[Reading] = []
    for reading in readings:
        if reading not in different:
            different.append(reading)
    with_data = (reading for reading in different if "no-health-data" not in {gap.code for gap in reading.gaps})
    return tuple(with_data) or tuple(different)


def _refuse_length(characters: int) -> None:
    if characters > MOST_REPORT_BYTES:
        raise BadInput(
            f"holds a report of more than {MOST_REPORT_BYTES:,} characters", hint="No drive's report is that long."
        )


def _decode_again(saved: Reading) -> Reading:
    """Decode a saved reading again from its raw report, so that a better decoder serves old readings."""
    raw = saved.raw
    _refuse_length(len(raw.text))
    if not raw.text.strip() and raw.attached is None:
        if saved.drive.model or saved.drive.serial or saved.drive.identity.wwn:
            return saved  # written by hand or by another program: there is nothing to decode it from
        raise NoDrive("the saved reading names no drive", hint="Read the drive again.")
    return decode_attached(raw, read_at=saved.read_at, path=saved.path, transport=saved.transport)
