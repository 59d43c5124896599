"""The backend's own JSON as the text that it prints of the same drive, so that there is one decoder.

Where the JSON carries that text it is taken as it is. Otherwise its fields are written out line by line; a field that
is not there writes no line. The names of the fields are those in the installed backend (smartmontools 7.3); how they
nest is from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drivecare.documents import MOST_LINE_LETTERS, Value, decode
from drivecare.errors import BadInput
from drivecare.reading.model import RawReport


class BackendJson(Value, frozen=True, kw_only=True):
    """What tells the backend's JSON from a document of ours."""

    json_format_version: Any = None
    smartctl: Any = None


def read_backend_json(data: bytes, *, origin: str) -> RawReport | None:
    """The backend's JSON as a raw report; None where these bytes are another document. Raises BadInput for no JSON."""
    head = decode(BackendJson, data, origin=origin)
    if head.json_format_version is None and not isinstance(head.smartctl, dict):
        return None
    status = _pick(head.smartctl, "exit_status")
    return RawReport(text=data.decode(), exit_status=status if isinstance(status, int) else None)


def printed_text(text: str) -> str:
    """A report's text; the backend's JSON as the text it stands for."""
    if not text.lstrip().startswith("{"):
        return text
    try:
        document = decode(dict, text.encode(), origin="the report")
    except BadInput:
        return text
    embedded = _pick(document, "smartctl.output")
    if isinstance(embedded, list):
        return "\n".join(str(line) for line in embedded)
    return "\n".join(_print_document(document))


def _pick(document: Any, path: str) -> Any:
    """The value at a dotted path; None where there is none."""
    for key in path.split("."):
        document = document.get(key) if isinstance(document, Mapping) else None
    return document


def _rows(document: Any, path: str) -> Sequence[Any]:
    rows = _pick(document, path)
    return rows if isinstance(rows, list) else ()


def _word(document: Any, path: str, otherwise: str = "") -> str:
    """The value at a path as one line of text, which cannot begin another."""
    value = _pick(document, path)
    if value is None or isinstance(value, dict | list):
        return otherwise
    return " ".join(str(value)[:MOST_LINE_LETTERS].split())


# Label and path; the text may have words behind the value. Where the path leads to nothing there is no line.
_FIELDS: dict[str, tuple[tuple[str, str], ...]] = {
    "ata": (
        ("Model Family: {}", "model_family"),
        ("Device Model: {}", "model_name"),
        ("Serial Number: {}", "serial_number"),
        ("Firmware Version: {}", "firmware_version"),
        ("User Capacity: {} bytes", "user_capacity.bytes"),
        ("Form Factor: {}", "form_factor.name"),
        ("ATA Version is: {}", "ata_version.string"),
        ("ATA Security is: {}", "ata_security.string"),
        ("Self-test execution status: ({})", "ata_smart_data.self_test.status.value"),
        ("Current Temperature: {} Celsius", "temperature.current"),
        ("Min/Max recommended Temperature: /{} Celsius", "temperature.op_limit_max"),
        ("0x01 0x010 4 {} --- Power-on Hours", "power_on_time.hours"),
    ),
    "nvme": (
        ("Model Number: {}", "model_name"),
        ("Serial Number: {}", "serial_number"),
        ("Firmware Version: {}", "firmware_version"),
        ("NVMe Version: {}", "nvme_version.string"),
        ("Total NVM Capacity: {}", "nvme_total_capacity"),
        ("Number of Namespaces: {}", "nvme_number_of_namespaces"),
        ("User Capacity: {} bytes", "user_capacity.bytes"),
        ("Warning Comp. Temp. Threshold: {} Celsius", "nvme_composite_temperature_threshold.warning"),
        ("Critical Comp. Temp. Threshold: {} Celsius", "nvme_composite_temperature_threshold.critical"),
        ("Temperature: {} Celsius", "nvme_smart_health_information_log.temperature"),
        ("Available Spare: {}%", "nvme_smart_health_information_log.available_spare"),
        ("Available Spare Threshold: {}%", "nvme_smart_health_information_log.available_spare_threshold"),
        ("Percentage Used: {}%", "nvme_smart_health_information_log.percentage_used"),
        ("Data Units Read: {}", "nvme_smart_health_information_log.data_units_read"),
        ("Data Units Written: {}", "nvme_smart_health_information_log.data_units_written"),
        ("Power Cycles: {}", "nvme_smart_health_information_log.power_cycles"),
        ("Power On Hours: {}", "nvme_smart_health_information_log.power_on_hours"),
        ("Unsafe Shutdowns: {}", "nvme_smart_health_information_log.unsafe_shutdowns"),
        ("Media and Data Integrity Errors: {}", "nvme_smart_health_information_log.media_errors"),
        ("Error Information Log Entries: {}", "nvme_smart_health_information_log.num_err_log_entries"),
        ("Warning Comp. Temperature Time: {}", "nvme_smart_health_information_log.warning_temp_time"),
        ("Critical Comp. Temperature Time: {}", "nvme_smart_health_information_log.critical_comp_time"),
    ),
    "scsi": (
        ("Vendor: {}", "scsi_vendor"),
        ("Product: {}", "scsi_product"),
        ("Revision: {}", "scsi_revision"),
        ("Vendor: {}", "vendor"),
        ("Product: {}", "product"),
        ("Revision: {}", "revision"),
        ("Serial number: {}", "serial_number"),
        ("Logical Unit id: {}", "logical_unit_id"),
        ("User Capacity: {} bytes", "user_capacity.bytes"),
        ("Form Factor: {}", "form_factor.name"),
        ("Transport protocol: {}", "scsi_transport_protocol.name"),
        ("Current Drive Temperature: {} C", "temperature.current"),
        ("Drive Trip Temperature: {} C", "temperature.drive_trip"),
        ("Accumulated power on time, hours:minutes {}:00", "power_on_time.hours"),
        ("Elements in grown defect list: {}", "scsi_grown_defect_list"),
        ("Pending defect count:{}", "scsi_pending_defects.count"),
        ("Percentage used endurance indicator: {}%", "scsi_percentage_used_endurance_indicator"),
        ("Percentage used endurance indicator: {}%", "endurance_used.current_percent"),
    ),
}
_DAY = ("Local Time is: {}", "local_time.asctime")


def _print_document(document: Any) -> Iterator[str]:
    """The lines of the text that a document stands for."""
    protocol = _word(document, "device.protocol").lower()
    for message in _rows(document, "smartctl.messages"):
        yield _word(message, "string")
    for line, path in (*_FIELDS.get(protocol, _FIELDS["ata"]), _DAY):
        if word := _word(document, path):
            yield line.format(word)
    yield from _print_support(document)
    yield from {"nvme": _print_nvme, "scsi": _print_scsi}.get(protocol, _print_ata)(document)


def _print_support(document: Any) -> Iterator[str]:
    """Rotation, trim, what is on and off: the fields that are numbers and truth values in JSON."""
    rotation = _pick(document, "rotation_rate")
    if isinstance(rotation, int):
        if rotation:
            yield f"Rotation Rate: {rotation} rpm"
        elif _word(document, "device.protocol").lower() != "scsi":  # there 0 is a drive that does not say, too
            yield "Rotation Rate: Solid State Device"
    logical, physical = _word(document, "logical_block_size"), _word(document, "physical_block_size")
    if logical and physical:
        yield f"Sector Sizes: {logical} bytes logical, {physical} bytes physical"
    elif logical:
        yield f"Logical block size: {logical} bytes"
    for path, label, words in (
        ("trim.supported", "TRIM Command", ("Available", "Unavailable")),
        ("smart_support.available", "SMART support is", ("Available", "Unavailable")),
        ("smart_support.enabled", "SMART support is", ("Enabled", "Disabled")),
    ):
        answer = _pick(document, path)
        if isinstance(answer, bool):
            yield f"{label}: {words[0] if answer else words[1]}"


def _print_ata(document: Any) -> Iterator[str]:
    naa, oui, number = (_pick(document, f"wwn.{part}") for part in ("naa", "oui", "id"))
    if isinstance(naa, int) and isinstance(oui, int) and isinstance(number, int):
        yield f"LU WWN Device Id: {naa:x} {oui:06x} {number:09x}"
    if standard := _word(document, "ata_version.string"):
        yield f"ATA Version is: {standard}"
    fastest, now = _word(document, "interface_speed.max.string"), _word(document, "interface_speed.current.string")
    if version := _word(document, "sata_version.string"):
        yield f"SATA Version is: {version}, {fastest}" + (f" (current: {now})" if now else "")
    yield from _print_overall(document)
    for row in _rows(document, "ata_smart_attributes.table"):
        yield _print_attribute(row)
    yield "End of the attribute table"  # a document is never cut within it
    yield from _print_ata_logs(document)


def _print_overall(document: Any) -> Iterator[str]:
    passed = _pick(document, "smart_status.passed")
    if isinstance(passed, bool):
        yield f"SMART overall-health self-assessment test result: {'PASSED' if passed else 'FAILED!'}"


def _print_attribute(row: Any) -> str:
    """A row of the table in its long layout; a value that the row lacks is a dash."""
    flags = _pick(row, "flags.value")
    bits = f"0x{flags:04x}" if isinstance(flags, int) and 0 <= flags <= 0xFFFF else "0x0000"
    kind = "Pre-fail" if _pick(row, "flags.prefailure") else "Old_age"
    columns = " ".join(_word(row, key, "---") for key in ("value", "worst", "thresh"))
    failed = {"now": "FAILING_NOW", "past": "In_the_past"}.get(_word(row, "when_failed").lower(), "-")
    name = _word(row, "name", "Unknown_Attribute").replace(" ", "_")
    raw = _word(row, "raw.string") or _word(row, "raw.value")
    return f"{_word(row, 'id')} {name} {bits} {columns} {kind} Always {failed} {raw}"


def _print_ata_logs(document: Any) -> Iterator[str]:
    """Errors, self-tests, statistics, link counters and pending sectors."""
    for kind in ("summary", "extended"):
        if count := _word(document, f"ata_smart_error_log.{kind}.count"):
            yield f"ATA Error Count: {count}" if count != "0" else "No Errors Logged"
        for entry in _rows(document, f"ata_smart_error_log.{kind}.table"):
            entry_number, hours = _word(entry, "error_number"), _word(entry, "lifetime_hours")
            yield f"Error {entry_number} occurred at disk power-on lifetime: {hours} hours"
            yield _word(entry, "error_description")
    for kind in ("standard", "extended"):
        for number, test in enumerate(_rows(document, f"ata_smart_self_test_log.{kind}.table"), start=1):
            remaining, lba = _word(test, "status.remaining_percent", "00"), _word(test, "lba", "-")
            status, hours = _word(test, "status.string"), _word(test, "lifetime_hours")
            yield f"#{number:2} {_word(test, 'type.string')}  {status}  {remaining}%  {hours}  {lba}"
    for page in _rows(document, "ata_device_statistics.pages"):
        for row in _rows(page, "table"):
            page_number, offset, value = _pick(page, "number"), _pick(row, "offset"), _word(row, "value")
            valid = _pick(row, "flags.valid") is not False
            if isinstance(page_number, int) and isinstance(offset, int) and value and valid:
                yield f"0x{page_number:02x} 0x{offset:03x} 4 {value} --- {_word(row, 'name', '?')}"
    for row in _rows(document, "sata_phy_event_counters.table"):
        if isinstance(_pick(row, "id"), int):
            yield f"0x{_pick(row, 'id'):04x} 4 {_word(row, 'value')} {_word(row, 'name', '?')}"
    if isinstance(_pick(document, "ata_pending_defects_log"), dict):
        yield "Pending Defects log (GP Log 0x0c)"
        for number, row in enumerate(_rows(document, "ata_pending_defects_log.table")):
            yield f"{number} {_word(row, 'lba')} -"


def _print_nvme(document: Any) -> Iterator[str]:
    warning = _pick(document, "nvme_smart_health_information_log.critical_warning")
    if isinstance(warning, int) and 0 <= warning <= 0xFF:
        yield f"Critical Warning: 0x{warning:02x}"
    for number, degrees in enumerate(_rows(document, "nvme_smart_health_information_log.temperature_sensors"), start=1):
        if isinstance(degrees, int):
            yield f"Temperature Sensor {number}: {degrees} Celsius"
    yield from _print_overall(document)
    for space in _rows(document, "nvme_namespaces"):
        label = f"Namespace {_word(space, 'id')}"
        yield f"{label} Size/Capacity: {_word(space, 'size.bytes') or _word(space, 'capacity.bytes')}"
        yield f"{label} Formatted LBA Size: {_word(space, 'formatted_lba_size')}"
        oui, number = _pick(space, "eui64.oui"), _pick(space, "eui64.ext_id")
        if isinstance(oui, int) and isinstance(number, int):
            yield f"{label} IEEE EUI-64: {oui:06x} {number:010x}"
    if isinstance(_pick(document, "nvme_error_information_log"), dict):
        yield "Error Information (NVMe Log 0x01)"
    for number, entry in enumerate(_rows(document, "nvme_error_information_log.table")):
        status = _pick(entry, "status_field.value")
        if isinstance(status, int) and 0 <= status <= 0xFFFF:
            lba = _word(entry, "lba.value", "-")
            yield f"{number} {_word(entry, 'error_count', '0')} 0 0x0000 0x{status:04x} - {lba} 1 -"
    running = _pick(document, "nvme_self_test_log.current_self_test_operation.value")
    if isinstance(running, int) and running:
        kind = _word(document, "nvme_self_test_log.current_self_test_operation.string").split(" ")[0]
        percent = _word(document, "nvme_self_test_log.current_self_test_completion_percent", "0")
        yield f"Self-test status: {kind} self-test in progress ({percent}% completed)"
    for number, test in enumerate(_rows(document, "nvme_self_test_log.table")):
        kind, result = _word(test, "self_test_code.string"), _word(test, "self_test_result.string")
        hours, lba = _word(test, "power_on_hours"), _word(test, "lba", "-")
        yield f"{number} {kind} {result} {hours} {lba} - - - -"


# A background scan keeps at most 2,048 results (SBC-3, parameter codes 0001h to 0800h; from memory).
_MOST_SCAN_ROWS = 2048
_SCSI_COLUMNS = (
    "errors_corrected_by_eccfast",
    "errors_corrected_by_eccdelayed",
    "errors_corrected_by_rereads_rewrites",
    "total_errors_corrected",
    "correction_algorithm_invocations",
    "gigabytes_processed",
    "total_uncorrected_errors",
)


def _print_scsi(document: Any) -> Iterator[str]:
    passed = _pick(document, "smart_status.passed")
    asc, ascq = _pick(document, "smart_status.scsi.asc"), _pick(document, "smart_status.scsi.ascq")
    if isinstance(asc, int) and isinstance(ascq, int):
        words = _word(document, "smart_status.scsi.ie_string", "WARNING")
        yield f"SMART Health Status: {words} [asc={asc:x}, ascq={ascq:x}]"
    elif isinstance(passed, bool):
        yield f"SMART Health Status: {'OK' if passed else 'FAILED'}"
    for operation in ("read", "write", "verify"):
        counters = _pick(document, f"scsi_error_counter_log.{operation}")
        if isinstance(counters, dict):
            yield f"{operation}: " + " ".join(_word(counters, column, "0") for column in _SCSI_COLUMNS)
    if isinstance(_pick(document, "scsi_background_scan"), dict):
        yield "Background scan results log"
    for number in range(1, _MOST_SCAN_ROWS + 1):
        row = _pick(document, f"scsi_background_scan.result_{number}")
        lba = _pick(row, "lba.value")
        if isinstance(lba, int) and 0 <= lba < 1 << 64:
            status = _word(row, "reassign_status.string") or _word(row, "reassign_status")
            yield f"{number} 0:00 {lba:016x} [{','.join(_sense(row, '0'))}] {status}"
    for number in range(20):
        test = _pick(document, f"scsi_self_test_{number}")
        if isinstance(test, dict):
            yield _print_scsi_test(number, test)


def _sense(row: Any, otherwise: str) -> list[str]:
    """Sense key, code and qualifier of a row in hexadecimal digits."""
    parts = (_pick(row, f"{part}.value") for part in ("sense_key", "asc", "ascq"))
    return [f"{part:x}" if isinstance(part, int) else otherwise for part in parts]


def _print_scsi_test(number: int, test: Any) -> str:
    result = _word(test, "result.string")
    words = " ".join(f"0x{part}" if part != "-" else part for part in _sense(test, "-"))
    lba, hours = _word(test, "lba_first_failure.value", "-"), _word(test, "power_on_time.hours", "-")
    segment = _word(test, "failed_segment.value", "-")
    return f"#{number + 1:2} {_word(test, 'code.string')}  {result}  {segment}  {hours}  {lba} [{words}]"
