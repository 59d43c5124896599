"""Every bus: what is listed, what a reading holds, what the verdict is."""

from __future__ import annotations

import ctypes
import fcntl
import os
import subprocess
from pathlib import Path
from typing import Any

from tests.bench.drives import Drive
from tests.bench.guest import WORK, Bench, Ended, promise, system

DRIVES = (
    Drive("sata0", bus="sata"),
    Drive("sata1", bus="sata"),  # its health reporting is switched off below
    Drive("nvme0", bus="nvme"),
    Drive("scsi0", bus="scsi"),
    Drive("usb0", bus="usb"),
    Drive("uas0", bus="uas"),
)


def check_drives_lists_every_bus(bench: Bench) -> None:
    ended = bench.run("drives", "--json")
    assert ended.code == 0, ended
    listed = {drive["path"]: drive for drive in ended.json["drives"]}
    for name, drive in bench.drives.items():
        line = listed[bench.path(name)]
        assert line["bus"] == drive.bus, line
        assert line["capacity_bytes"] == drive.size_bytes, line
        assert line["in_use"] == [], line
        if drive.bus in ("usb", "uas"):  # the dock's number is shown, and called the dock's
            assert line["identity"]["bridge_serial"] == drive.shown_serial, line
            assert line["identity"]["native_serial"] is None, line
        else:
            assert line["serial"] == line["identity"]["native_serial"] == drive.serial, line
    assert len(listed) == len(DRIVES), sorted(listed)


def assess(bench: Bench, name: str, *options: str) -> tuple[Ended, dict[str, Any]]:
    ended = bench.run("assess", bench.path(name), "--json", *options)
    return ended, ended.json


def check_assess_reads_sata(bench: Bench) -> None:
    """The emulated drive has no row 197, and a hard drive's report without it is not complete."""
    ended, assessment = assess(bench, "sata0")
    assert (ended.code, assessment["verdict"]) == (10, "recheck"), ended
    assert assessment["drive_says"] == "passed", assessment["drive_says"]
    drive = assessment["drive"]
    assert (drive["serial"], drive["model"]) == ("BENCH-SATA0", "Plover PL-1"), drive
    assert (drive["protocol"], drive["kind"], drive["rotation_rpm"]) == ("ata", "hdd", 5400), drive
    assert drive["capacity_bytes"] == bench.drives["sata0"].size_bytes, drive
    assert drive["identity"]["strength"] == "strong", drive
    assert assessment["values"]["reallocated"] == 0, assessment["values"]
    assert assessment["values"]["pending"] is None, assessment["values"]  # it does not say


def check_assess_prints_it_for_people(bench: Bench) -> None:
    ended = bench.run("assess", bench.path("sata0"))
    assert ended.code == 10, ended
    assert "RECHECK" in ended.out, ended
    assert "Row 197 of the table" in ended.out, ended
    assert "BENCH-SATA0" in ended.out, ended


def check_an_untouched_nvme_is_no_alarm(bench: Bench) -> None:
    """Spare 0 %, threshold 0 %: nothing is below its threshold."""
    ended, assessment = assess(bench, "nvme0")
    assert (ended.code, assessment["verdict"]) == (0, "refit"), ended
    assert assessment["values"]["critical_warnings"] == [], assessment["values"]
    assert (assessment["drive"]["protocol"], assessment["drive"]["serial"]) == ("nvme", "BENCH-NVME0"), assessment[
        "drive"
    ]
    assert assessment["drive"]["capacity_bytes"] == bench.drives["nvme0"].size_bytes, assessment["drive"]


def check_nvme_warning_bits_change_the_verdict(bench: Bench) -> None:
    """NVM Express Base Specification, SMART / Health Information log page, byte 0."""
    table = {0x01: "replace", 0x02: "recheck", 0x04: "evacuate", 0x08: "evacuate", 0x10: "replace", 0x06: "evacuate"}
    codes = {"replace": 11, "recheck": 10, "evacuate": 12}
    verdicts = {}
    try:
        for bits in table:
            set_warning(bench, bits)
            ended, document = assess(bench, "nvme0")
            assert ended.code == codes.get(document["verdict"]), ended
            verdicts[bits] = document["verdict"]
    finally:
        set_warning(bench, 0)
    assert verdicts == table, verdicts


def set_warning(bench: Bench, bits: int) -> None:
    bench.qemu("qom-set", path="/machine/peripheral/nvme0", property="smart_critical_warning", value=bits)


def check_sata_with_health_switched_off_is_unproven(bench: Bench) -> None:
    path = bench.path("sata1")
    system("smartctl", "--smart=off", path)
    try:
        ended, assessment = assess(bench, "sata1")
    finally:
        system("smartctl", "--smart=on", path)
    assert (ended.code, assessment["verdict"]) == (13, "unproven"), ended
    assert assessment["drive"]["serial"] == "BENCH-SATA1", assessment["drive"]


# What the backend prints and leaves out of its JSON (smartmontools 7.3, asked in this machine).
NOT_IN_JSON = {"security", "temperature_limit_celsius"}


def check_text_and_json_of_one_drive_agree(bench: Bench) -> None:
    """The backend's text and its JSON of one drive give one reading, but for words that its JSON leaves out."""
    for name in ("sata0", "nvme0", "scsi0"):
        ways = [_ask_backend(bench, name), _ask_backend(bench, name, "--json")]
        text, fields = (bench.run("assess", str(way), "--json").json for way in ways)
        assert (fields["verdict"], fields["drive_says"]) == (text["verdict"], text["drive_says"]), (fields, text)
        for part in ("drive", "values"):
            answers = {key: (answer, fields[part][key]) for key, answer in text[part].items()}
            differ = {key: pair for key, pair in answers.items() if None not in pair and pair[0] != pair[1]}
            silent = {key for key, pair in answers.items() if pair[1] is None is not pair[0]}
            assert (differ, silent - NOT_IN_JSON) == ({}, set()), (name, differ, silent)


def _ask_backend(bench: Bench, name: str, *options: str) -> Path:
    """A file with the backend's answer about a drive. Its exit status tells of the drive, not of the answer."""
    answer = subprocess.run(
        ["smartctl", "-x", *options, bench.path(name)], stdout=subprocess.PIPE, check=False, text=True
    )
    path = WORK / f"{name}{''.join(options)}.report"
    path.write_text(answer.stdout)
    return path


def unproven_with_advice(bench: Bench, name: str) -> None:
    ended, assessment = assess(bench, name)
    assert (ended.code, assessment["verdict"]) == (13, "unproven"), ended
    assert assessment["limits"], assessment
    assert "Traceback" not in ended.err, ended


def check_scsi_without_health_data_is_unproven(bench: Bench) -> None:
    unproven_with_advice(bench, "scsi0")


def blocked_by_its_bridge(bench: Bench, name: str) -> None:
    """It is truly blocked: the advice says how to get around the bridge, and the identity is weak at most."""
    ended, assessment = assess(bench, name)
    assert (ended.code, assessment["verdict"]) == (13, "unproven"), ended
    assert assessment["drive"]["identity"]["strength"] != "strong", assessment["drive"]
    text = bench.run("assess", bench.path(name))
    assert text.code == 13, text
    assert "UNPROVEN" in text.out, text
    assert "--transport" in text.out or "SATA" in text.out, text


def check_usb_storage_is_blocked_by_its_bridge(bench: Bench) -> None:
    blocked_by_its_bridge(bench, "usb0")


def check_uas_is_blocked_by_its_bridge(bench: Bench) -> None:
    blocked_by_its_bridge(bench, "uas0")


def check_a_test_prediction_is_a_test(bench: Bench) -> None:
    """scsi_debug with the TEST bit of the informational exceptions page (SPC-4, 1Ch) set reports 5Dh/FFh."""
    path = bench.load("scsi_debug", "dev_size_mb=8")
    set_test_prediction(path)
    ended = bench.run("assess", path, "--json")
    assert ended.json["verdict"] not in ("evacuate", "replace", "recheck"), ended
    assert ended.code in (0, 13), ended
    (noted,) = [f for f in ended.json["findings"] if f["signal"] == "failure_prediction"]
    assert (noted["observed"], noted["severity"]) == ("5d/ff", "note"), noted
    assert "copy it now" not in noted["action"].lower(), noted["action"]


class SgRequest(ctypes.Structure):
    """struct sg_io_hdr of <scsi/sg.h>."""

    _fields_ = (
        ("interface", ctypes.c_int),
        ("direction", ctypes.c_int),
        ("command_length", ctypes.c_ubyte),
        ("sense_length", ctypes.c_ubyte),
        ("pieces", ctypes.c_ushort),
        ("length", ctypes.c_uint),
        ("data", ctypes.c_void_p),
        ("command", ctypes.c_void_p),
        ("sense", ctypes.c_void_p),
        ("timeout", ctypes.c_uint),
        ("flags", ctypes.c_uint),
        ("pack_id", ctypes.c_int),
        ("user", ctypes.c_void_p),
        ("status", ctypes.c_ubyte),
        ("rest", ctypes.c_ubyte * 23),
    )


def set_test_prediction(path: str) -> None:
    """MODE SELECT(6) with page 1Ch, TEST=1, MRIE=6."""
    data = ctypes.create_string_buffer(bytes([0, 0, 0, 0, 0x1C, 0x0A, 0x04, 0x06, 0, 0, 0, 0, 0, 0, 0, 1]), 16)
    command = ctypes.create_string_buffer(bytes([0x15, 0x10, 0, 0, 16, 0]), 6)
    sense = ctypes.create_string_buffer(32)
    request = SgRequest(interface=ord("S"), direction=-2, command_length=6, sense_length=32, length=16, timeout=5000)
    request.data, request.command, request.sense = map(ctypes.addressof, (data, command, sense))
    descriptor = os.open(path, os.O_RDWR | os.O_NONBLOCK)
    try:
        fcntl.ioctl(descriptor, 0x2285, request)  # SG_IO
    finally:
        os.close(descriptor)
    assert request.status == 0, sense.raw.hex()


def check_selftest_runs_on_sata(bench: Bench) -> None:
    ended = bench.run("selftest", bench.path("sata0"), "--json")
    assert ended.code == 0, ended
    after, assessment = assess(bench, "sata0")
    assert assessment["values"]["last_selftest"]["result"] == "passed", after


@promise(4)
def check_no_reading_says_more_than_the_drive_did(bench: Bench) -> None:
    """Saved and read again, a live reading gives the same verdict."""
    saved = WORK / "reading.json"
    live = bench.run("assess", bench.path("sata0"), "--json", "--save", str(saved))
    again = bench.run("assess", str(saved), "--json")
    assert (again.code, again.json["values"]) == (live.code, live.json["values"]), again
