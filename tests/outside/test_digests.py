"""Our digests against published ones, and against what coreutils prints of the same file."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

from drivecare.transfer.areas import Area
from drivecare.transfer.sectors.digests import new_hash
from drivecare.transfer.sectors.engine import copy_and_prove
from drivecare.transfer.sectors.segments import Segmenter
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, buffers, end_of, fresh_journal

# FIPS 180-4 (Secure Hash Standard), the example messages of its SHA-256 computation; also RFC 6234, section 8.5.
FIPS_180_4 = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


# The BLAKE3 team's test vectors (github.com/BLAKE3-team/BLAKE3, test_vectors.json; public domain): inputs of this many
# bytes 0, 1, ... 250, 0, 1, ... From memory; the package agrees with them.
BLAKE3_VECTORS = {
    0: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
    1: "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213",
    1024: "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7",
}


@pytest.mark.parametrize("length", BLAKE3_VECTORS)
def test_blake3_is_the_published_one(length: int) -> None:
    content = new_hash("blake3")
    content.update(memoryview(bytes(number % 251 for number in range(length))))
    assert content.hexdigest() == BLAKE3_VECTORS[length]


def whole_digest(data: bytes) -> str | None:
    source, target = FakeMedium(data), FakeMedium(bytes(len(data)))
    receipt = copy_and_prove(
        source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(4096)
    )
    assert receipt.verified
    return receipt.digest.whole


@pytest.mark.parametrize("message", FIPS_180_4, ids=lambda message: f"{len(message)} bytes")
def test_a_receipt_holds_the_published_digest(message: bytes) -> None:
    assert whole_digest(message) == FIPS_180_4[message]


@pytest.mark.parametrize("message", FIPS_180_4, ids=lambda message: f"{len(message)} bytes")
def test_a_segment_holds_the_published_digest(message: bytes) -> None:
    segmenter = Segmenter(1 << 20, "sha256")
    for at in range(0, len(message), 1000):
        piece = message[at : at + 1000]
        assert segmenter.add(Area.between(at, at + len(piece)), memoryview(piece)) == []
    (segment,) = segmenter.close()
    assert segment.digest.hex() == FIPS_180_4[message]


def test_a_receipt_holds_what_sha256sum_prints(tmp_path: Path) -> None:
    """GNU coreutils sha256sum: a program that shares no code with ours."""
    tool = shutil.which("sha256sum")
    assert tool, "coreutils is needed"
    file = tmp_path / "source.img"
    file.write_bytes(bytes(range(256)) * 9000 + b"odd end")
    printed = subprocess.run([tool, file], capture_output=True, text=True, check=True).stdout.split()[0]
    assert whole_digest(file.read_bytes()) == printed == hashlib.sha256(file.read_bytes()).hexdigest()
