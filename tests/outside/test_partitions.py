"""GPT as util-linux's sfdisk writes and lists it; an MBR's logical partitions are tested in test_tables.py."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from drivecare.transfer.sectors.partitions import read_partition_table

MIB = 1 << 20
SCRIPT = """label: gpt
start=2048, size=1000, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, name="System"
start=4096, size=64, type=0FC63DAF-8483-4772-8E79-3D69D8477DE4, name="Störung ü"
start=8192, size=2000, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7
"""


@pytest.mark.parametrize("damaged", [False, True], ids=["whole", "beginning damaged, read from the backup"])
def test_a_gpt_is_what_sfdisk_lists(tmp_path: Path, damaged: bool) -> None:
    sfdisk = shutil.which("sfdisk", path="/usr/sbin:/sbin:/usr/bin")
    if sfdisk is None:
        pytest.skip("needs sfdisk (Debian: fdisk)")
    image = tmp_path / "disk.img"
    image.write_bytes(bytes(8 * MIB))
    subprocess.run([sfdisk, "--quiet", str(image)], input=SCRIPT, text=True, check=True)
    listed = json.loads(subprocess.run([sfdisk, "--json", str(image)], capture_output=True, check=True).stdout)
    data = bytearray(image.read_bytes())
    if damaged:
        data[: 34 * 512] = bytes(34 * 512)
    table = read_partition_table(lambda offset, length: bytes(data[offset : offset + length]), len(data))
    assert table.kind == listed["partitiontable"]["label"] == "gpt"
    assert [(p.offset // 512, p.length // 512, p.type.upper(), p.name or None) for p in table.partitions] == [
        (partition["start"], partition["size"], partition["type"], partition.get("name"))
        for partition in listed["partitiontable"]["partitions"]
    ]
    assert len(table.partitions) == 3
