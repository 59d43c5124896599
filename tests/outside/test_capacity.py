"""Sizes against the published counts, and against byte counts that real drives were recorded to report.

Sources: IDEMA LBA1-02 and LBA1-03 (worked example of LBA1-02 section 6.0: 80 GB = 156,301,488 sectors);
SFF-8447 rev 0.5 (2015) section 4.2.1. Real counts: the reports in the source distribution of pySMART 1.4.3.
"""

from __future__ import annotations

import pytest

from drivecare.reading.capacity import idema_bytes, labelled_gigabytes, sff_bytes, standard_bytes

# GB -> sectors of 512 bytes, sectors of 4096 bytes: IDEMA LBA1-03
IDEMA = {
    80: (156_301_488, 19_537_686),
    120: (234_441_648, 29_305_206),
    128: (250_069_680, 31_258_710),
    160: (312_581_808, 39_072_726),
    240: (468_862_128, 58_607_766),
    250: (488_397_168, 61_049_646),
    256: (500_118_192, 62_514_774),
    320: (625_142_448, 78_142_806),
    480: (937_703_088, 117_212_886),
    500: (976_773_168, 122_096_646),
    512: (1_000_215_216, 125_026_902),
    640: (1_250_263_728, 156_282_966),
    750: (1_465_149_168, 183_143_646),
    800: (1_562_824_368, 195_353_046),
    960: (1_875_385_008, 234_423_126),
    1000: (1_953_525_168, 244_190_646),
    1024: (2_000_409_264, 250_051_158),
    1500: (2_930_277_168, 366_284_646),
    1600: (3_125_627_568, 390_703_446),
    1920: (3_750_748_848, 468_843_606),
    2000: (3_907_029_168, 488_378_646),
    3000: (5_860_533_168, 732_566_646),
    4000: (7_814_037_168, 976_754_646),
    5000: (9_767_541_168, 1_220_942_646),
    6000: (11_721_045_168, 1_465_130_646),
    7680: (15_002_931_888, 1_875_366_486),
    8000: (15_628_053_168, 1_953_506_646),
}

# GB -> sectors of 512 bytes, GiB: SFF-8447 section 4.2.1
SFF = {
    8000: (15_625_879_552, 7_451),
    10000: (19_532_873_728, 9_314),
    12000: (23_437_770_752, 11_176),
    14000: (27_344_764_928, 13_039),
    16000: (31_251_759_104, 14_902),
    18000: (35_156_656_128, 16_764),
    20000: (39_063_650_304, 18_627),
    22000: (42_970_644_480, 20_490),
    24000: (46_875_541_504, 22_352),
}

# What real drives reported: bytes -> label, None where the count follows neither standard.
REAL = {
    120_034_123_776: 120,
    240_057_409_536: 240,
    256_060_514_304: 256,
    480_103_981_056: 480,
    500_107_862_016: 500,
    512_110_190_592: 512,
    800_166_076_416: 800,
    1_000_204_886_016: 1000,
    1_024_209_543_168: 1024,
    1_600_321_314_816: 1600,
    2_000_398_934_016: 2000,
    4_000_787_030_016: 4000,
    7_681_501_126_656: 7680,
    12_000_138_625_024: 12000,  # HUH721212AL4204 and OOS12000G
    16_000_900_661_248: 16000,  # WUH721816ALE6L4
    118_999_744_512: None,  # RS3DC080: a RAID volume
    959_119_884_288: None,  # MR9361-16i: a RAID volume
    251_000_193_024: None,  # APPLE SSD SM0256F: a size of its maker's own
}


@pytest.mark.parametrize("gigabytes", IDEMA)
def test_a_labelled_size_has_the_sectors_of_idema(gigabytes: int) -> None:
    small, large = IDEMA[gigabytes]
    assert idema_bytes(gigabytes) == small * 512 == large * 4096
    assert labelled_gigabytes(small * 512) == gigabytes


@pytest.mark.parametrize("gigabytes", SFF)
def test_a_larger_size_has_the_bytes_of_sff_8447(gigabytes: int) -> None:
    sectors, gibibytes = SFF[gigabytes]
    assert sff_bytes(gigabytes) == sectors * 512 == gibibytes << 30
    assert sff_bytes(gigabytes) in standard_bytes(gigabytes)


@pytest.mark.parametrize("count", REAL)
def test_real_drives_follow_one_of_the_two_standards(count: int) -> None:
    assert labelled_gigabytes(count) == REAL[count]


@pytest.mark.parametrize("gigabytes", range(50, 8001, 37))
def test_every_idema_count_is_whole_in_both_sector_sizes_and_in_old_cylinders(gigabytes: int) -> None:
    """Every count is a multiple of 16 heads x 63 sectors and of 8 (computed from the formula's two constants)."""
    sectors = idema_bytes(gigabytes) // 512
    assert sectors % 1008 == 0
    assert sectors % 8 == 0


@pytest.mark.parametrize("gigabytes", [50, 250, 500, 1000, 8000, 12_000, 24_000])
def test_a_label_never_promises_more_than_the_standard_counts(gigabytes: int) -> None:
    """The plan takes a label's own bytes as the least a drive holds."""
    assert min(standard_bytes(gigabytes)) >= gigabytes * 10**9
