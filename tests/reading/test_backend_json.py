"""The backend's JSON and its text of the same drive are the same reading. The drives are those of fixtures/reports."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from drivecare.documents import encode
from drivecare.errors import BadInput, NoDrive
from drivecare.reading.decode import decode_report
from drivecare.reading.reading_files import load_reading, reading_of
from drivecare.risk.assess import assess
from tests.reading.recorded import report

FORMAT = {"json_format_version": [1, 0]}


def _rows_of(text: str) -> list[dict[str, Any]]:
    """The attribute rows of a text report as the backend writes them in JSON."""
    rows = []
    for line in text.split("\n"):
        cells = line.split()
        if len(cells) >= 10 and cells[0].isdigit() and cells[2].startswith("0x"):
            flags, raw = int(cells[2], 16), " ".join(cells[9:])
            rows.append(
                {
                    "id": int(cells[0]),
                    "name": cells[1],
                    "value": int(cells[3]),
                    "worst": int(cells[4]),
                    "thresh": int(cells[5]),
                    "when_failed": {"FAILING_NOW": "now", "In_the_past": "past"}.get(cells[8], ""),
                    "flags": {"value": flags, "string": "PO--CK ", "prefailure": bool(flags & 1)},
                    "raw": {"value": int(raw.split()[0]), "string": raw},
                }
            )
    return rows


def _ata() -> dict[str, Any]:
    """fixtures/reports/hdd-nothing-against-it.txt."""
    return FORMAT | {
        "smartctl": {"version": [7, 3], "argv": ["smartctl", "-j", "-x", "/dev/sdb"], "exit_status": 0},
        "device": {"name": "/dev/sdb", "type": "sat", "protocol": "ATA"},
        "model_family": "Kestrel Roost 5400",
        "model_name": "Kestrel KD-500",
        "serial_number": "KX25-00417",
        "wwn": {"naa": 5, "oui": 0x0AB1C2, "id": 0x417},
        "firmware_version": "KF04",
        "user_capacity": {"blocks": 976773168, "bytes": 500107862016},
        "logical_block_size": 512,
        "physical_block_size": 4096,
        "rotation_rate": 5400,
        "form_factor": {"ata_value": 3, "name": "2.5 inches"},
        "ata_version": {"string": "ACS-3 T13/2161-D revision 3b"},
        "sata_version": {"string": "SATA 3.1", "value": 127},
        "interface_speed": {"max": {"string": "6.0 Gb/s"}, "current": {"string": "3.0 Gb/s"}},
        "local_time": {"time_t": 1795602660, "asctime": "Tue Nov 24 10:31:00 2026 UTC"},
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        "ata_smart_data": {"self_test": {"status": {"value": 0, "string": "completed without error", "passed": True}}},
        "ata_smart_attributes": {"revision": 16, "table": _rows_of(report("hdd-nothing-against-it"))},
        "power_on_time": {"hours": 21904},
        "power_cycle_count": 2190,
        "temperature": {"current": 38},
        "ata_smart_error_log": {"summary": {"revision": 1, "count": 0}},
        "ata_smart_self_test_log": {
            "standard": {
                "revision": 1,
                "table": [
                    {
                        "type": {"value": 1, "string": "Short offline"},
                        "status": {"value": 0, "string": "Completed without error", "passed": True},
                        "lifetime_hours": 21890,
                    }
                ],
                "count": 1,
            }
        },
    }


def _nvme() -> dict[str, Any]:
    """fixtures/reports/nvme-test-failed.txt."""
    return FORMAT | {
        "smartctl": {"version": [7, 4], "exit_status": 0},
        "device": {"name": "/dev/nvme0", "type": "nvme", "protocol": "NVMe"},
        "model_name": "Merlin MN-512",
        "serial_number": "MN23-51200",
        "firmware_version": "MF20",
        "nvme_total_capacity": 512110190592,
        "nvme_number_of_namespaces": 1,
        "nvme_version": {"string": "1.4", "value": 66560},
        "nvme_namespaces": [
            {
                "id": 1,
                "size": {"blocks": 1000215216, "bytes": 512110190592},
                "formatted_lba_size": 512,
                "eui64": {"oui": 0x0AB1C2, "ext_id": 0x51200},
            }
        ],
        "nvme_composite_temperature_threshold": {"warning": 84, "critical": 88},
        "local_time": {"asctime": "Tue Nov 24 10:31:00 2026 UTC"},
        "smart_status": {"passed": True, "nvme": {"value": 0}},
        "nvme_smart_health_information_log": {
            "critical_warning": 0,
            "temperature": 41,
            "available_spare": 100,
            "available_spare_threshold": 10,
            "percentage_used": 4,
            "data_units_read": 18224910,
            "data_units_written": 14100006,
            "power_cycles": 812,
            "power_on_hours": 3118,
            "unsafe_shutdowns": 71,
            "media_errors": 0,
            "num_err_log_entries": 2,
            "warning_temp_time": 12,
            "critical_comp_time": 0,
            "temperature_sensors": [41],
        },
        "nvme_error_information_log": {"size": 64, "read": 16, "unread": 0},
        "nvme_self_test_log": {
            "current_self_test_operation": {"value": 0, "string": "No self-test in progress"},
            "table": [
                {
                    "self_test_code": {"value": 2, "string": "Extended"},
                    "self_test_result": {"value": 7, "string": "Completed: failed segments"},
                    "power_on_hours": 3117,
                    "lba": 41943040,
                },
                {
                    "self_test_code": {"value": 1, "string": "Short"},
                    "self_test_result": {"value": 0, "string": "Completed without error"},
                    "power_on_hours": 2980,
                },
            ],
        },
    }


def _sas() -> dict[str, Any]:
    """fixtures/reports/sas-test-failed.txt."""

    def counters(*numbers: int | str) -> dict[str, Any]:
        names = ("eccfast", "eccdelayed", "rereads_rewrites")
        corrected = {f"errors_corrected_by_{name}": number for name, number in zip(names, numbers, strict=False)}
        others = ("total_errors_corrected", "correction_algorithm_invocations", "gigabytes_processed")
        return corrected | dict(zip((*others, "total_uncorrected_errors"), numbers[3:], strict=True))

    return FORMAT | {
        "smartctl": {"version": [7, 3], "exit_status": 0},
        "device": {"name": "/dev/sdc", "type": "scsi", "protocol": "SCSI"},
        "scsi_vendor": "KESTREL",
        "scsi_product": "KS900-10K",
        "scsi_revision": "KS02",
        "user_capacity": {"bytes": 900185481216},
        "logical_block_size": 512,
        "rotation_rate": 10520,
        "form_factor": {"name": "2.5 inches"},
        "logical_unit_id": "0x50ab1c2000900001",
        "serial_number": "KS19-90001",
        "scsi_transport_protocol": {"name": "SAS (SPL-3)", "value": 6},
        "local_time": {"asctime": "Tue Nov 24 10:31:00 2026 UTC"},
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        "temperature": {"current": 31, "drive_trip": 65},
        "power_on_time": {"hours": 30122, "minutes": 47},
        "scsi_grown_defect_list": 12,
        "scsi_error_counter_log": {
            "read": counters(1018841, 7, 0, 1018848, 1018848, "210338.511", 1),
            "write": counters(0, 0, 2, 2, 2, "61120.884", 0),
            "verify": counters(1171, 0, 0, 1171, 1171, "402.118", 0),
        },
        "scsi_self_test_0": {
            "code": {"value": 2, "string": "Background long"},
            "result": {"value": 7, "string": "Failed in segment -->"},
            "failed_segment": {"value": 3},
            "power_on_time": {"hours": 30120, "aka": "accumulated_power_on_hours"},
            "lba_first_failure": {"value": 29876543},
            "sense_key": {"value": 3},
            "asc": {"value": 17},
            "ascq": {"value": 0},
        },
        "scsi_self_test_1": {
            "code": {"value": 1, "string": "Background short"},
            "result": {"value": 0, "string": "Completed"},
            "power_on_time": {"hours": 30100},
        },
    }


PAIRS = {"hdd-nothing-against-it": _ata, "nvme-test-failed": _nvme, "sas-test-failed": _sas}


def _data(document: object) -> bytes:
    return json.dumps(document).encode()


@pytest.mark.parametrize("name", PAIRS)
def test_the_two_ways_of_reading_one_drive_agree(name: str) -> None:
    text, fields = decode_report(report(name)), reading_of(_data(PAIRS[name]()), origin="x.json")
    assert fields.drive == text.drive
    # The text of a SCSI drive alone counts errors outside the medium.
    ours = {
        field: value for field in text.values.__struct_fields__ if (value := getattr(text.values, field)) is not None
    }
    ours.pop("non_medium_errors", None)
    assert {field: getattr(fields.values, field) for field in ours} == ours
    assert fields.selftests == text.selftests
    assert fields.unreadable_lbas == text.unreadable_lbas
    assert fields.drive_says == text.drive_says
    assert [(row.id, row.raw, row.state) for row in fields.attributes] == [
        (row.id, row.raw, row.state) for row in text.attributes
    ]
    assert assess(fields).verdict == assess(text).verdict


@pytest.mark.parametrize("name", ["hdd-pending-2544", "nvme-media-errors", "sas-predicts-failure"])
def test_the_text_inside_the_json_counts_as_the_report(name: str) -> None:
    document = FORMAT | {"smartctl": {"output": report(name).split("\n")}, "device": {"protocol": "ATA"}}
    text, embedded = decode_report(report(name)), reading_of(_data(document), origin="x.json")
    assert (embedded.drive, embedded.values, embedded.gaps) == (text.drive, text.values, text.gaps)


def test_the_warning_bits_of_nvme() -> None:
    document = _nvme()
    document["nvme_smart_health_information_log"]["critical_warning"] = 8
    reading = reading_of(_data(document), origin="x.json")
    assert reading.values.critical_warnings == ("read-only",)
    assert assess(reading).verdict == "evacuate"


def test_logs_of_an_ata_drive() -> None:
    document = _ata()
    document["ata_smart_error_log"] = {
        "extended": {
            "count": 3,
            "table": [
                {"error_number": 3, "lifetime_hours": 21000, "error_description": "Error: UNC at LBA = 0x00000010 = 16"}
            ],
        }
    }
    document["ata_device_statistics"] = {
        "pages": [{"number": 3, "table": [{"offset": 32, "name": "Number of Reallocated Logical Sectors", "value": 7}]}]
    }
    document["sata_phy_event_counters"] = {"table": [{"id": 11, "name": "CRC errors", "size": 2, "value": 4}]}
    document["ata_pending_defects_log"] = {"table": [{"lba": 4711}, {"lba": 4712}]}
    document["smart_status"] = {"passed": False}
    reading = reading_of(_data(document), origin="x.json")
    assert reading.errors.count == 3
    assert (reading.errors.newest_hours, reading.errors.kinds) == (21000, ("uncorrectable",))
    assert reading.statistics["reallocated"] == 7
    assert (reading.values.phy_errors, reading.values.pending_log_entries) == (4, 2)
    assert [(place.lba, place.log) for place in reading.unreadable_lbas] == [
        (4711, "pending-defects"),
        (4712, "pending-defects"),
        (16, "errors"),
    ]
    assert reading.drive_says == "failing"


def test_a_scsi_drive_that_tells_no_rotation_is_of_unknown_kind() -> None:
    """Its JSON writes 0 for one that does not say and for a solid-state drive alike."""
    sas = _sas() | {"rotation_rate": 0}
    assert reading_of(_data(sas), origin="x.json").drive.kind == "unknown"
    sas["scsi_percentage_used_endurance_indicator"] = 3
    assert reading_of(_data(sas), origin="x.json").drive.kind == "ssd"


def test_addresses_of_nvme_and_of_a_background_scan() -> None:
    nvme = _nvme()
    nvme["nvme_error_information_log"]["table"] = [
        {"error_count": 2, "status_field": {"value": 0x4502}, "lba": {"value": 512}},
        {"error_count": 1, "status_field": {"value": 0x4004}, "lba": {"value": 513}},
    ]
    reading = reading_of(_data(nvme), origin="x.json")
    assert [place.lba for place in reading.unreadable_lbas] == [41_943_040, 512]
    sas = _sas()
    medium_error = {"sense_key": {"value": 3}, "asc": {"value": 0x11}, "ascq": {"value": 0}}
    sas["scsi_background_scan"] = {
        "result_1": {"lba": {"value": 77}, "reassign_status": "Require Write or Reassign Blocks command"}
        | medium_error,
        "result_2": {"lba": {"value": 78}, "reassign_status": "Reassigned by disk"} | medium_error,
    }
    reading = reading_of(_data(sas), origin="x.json")
    assert (77, "background-scan") in [(place.lba, place.log) for place in reading.unreadable_lbas]
    assert 78 not in [place.lba for place in reading.unreadable_lbas]
    assert (reading.values.background_scan_errors, reading.values.background_scan_unreadable) == (2, 1)


def test_a_saved_reading_keeps_the_json(tmp_path: Path) -> None:
    reading = reading_of(_data(_sas()), origin="x.json")
    saved = tmp_path / "reading.json"
    saved.write_bytes(encode(reading))
    assert load_reading(saved) == reading
    assert reading.raw.text == json.dumps(_sas())


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le"])
def test_json_in_another_encoding(encoding: str) -> None:
    assert reading_of(json.dumps(_ata()).encode(encoding), origin="x").drive.serial == "KX25-00417"


@pytest.mark.parametrize("junk", [None, [], {}, "x", 7, -1, 1.5, True, [{}], {"table": 3}, {"table": [[], None, 3]}])
def test_fields_of_another_type_are_left_out(junk: object) -> None:
    for whole in (_ata(), _nvme(), _sas()):
        for key in whole:
            if key not in ("json_format_version", "device", "model_name", "scsi_product", "serial_number"):
                reading = reading_of(_data(whole | {key: junk}), origin="x.json")
                assert reading.drive.serial == whole["serial_number"]


def test_a_name_cannot_begin_another_line() -> None:
    document = _ata() | {"firmware_version": "KF04\nSerial Number: other\nModel Number: other"}
    assert reading_of(_data(document), origin="x.json").drive.serial == "KX25-00417"


def test_json_that_names_no_drive() -> None:
    with pytest.raises(NoDrive):
        reading_of(_data(FORMAT | {"smartctl": {"exit_status": 2}}), origin="x.json")
    with pytest.raises(BadInput):
        reading_of(b'{"json_format_version": [1, 0]', origin="x.json")


@pytest.mark.parametrize(("standard", "interface"), [("ATA/ATAPI-5 T13 1321D revision 1", "pata"), ("ATA-6", None)])
def test_a_drive_of_before_sata_is_a_parallel_one_in_json_too(standard: str, interface: str | None) -> None:
    fields = {name: value for name, value in _ata().items() if name not in ("sata_version", "interface_speed")}
    data = json.dumps(fields | {"ata_version": {"string": standard}}).encode()
    assert reading_of(data, origin="old.json").drive.interface == interface
