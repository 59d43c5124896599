"""Numbers as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.fit.units import DriveSize, parse_amount, parse_quantity, parse_size


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("500 GB", DriveSize(labelled_gb=500)),
        ("500GB", DriveSize(labelled_gb=500)),
        ("1TB", DriveSize(labelled_gb=1000)),
        ("1,5 TB", DriveSize(labelled_gb=1500)),
        ("500107862016", DriveSize(counted_bytes=500_107_862_016)),
        ("500,107,862,016 bytes", DriveSize(counted_bytes=500_107_862_016)),
        ("976773168 sectors", DriveSize(counted_bytes=500_107_862_016)),
        ("LBA 976773168", None),
        ("7451 GiB", DriveSize(counted_bytes=8_000_450_330_624)),
        ("1,000 GB", DriveSize(labelled_gb=1000)),
        ("2.000 GB", DriveSize(labelled_gb=2000)),
        ("1.024 TB", DriveSize(labelled_gb=1024)),
        ("465.8 GiB", None),
        ("466 GiB", None),
        ("1.8 TiB", None),
        ("500", None),
        ("500 parsecs", None),
        ("0 GB", None),
        ("2.0001 GB", None),
        ("", None),
    ],
)
def test_sizes(text: str, size: DriveSize | None) -> None:
    if size is None:
        with pytest.raises(ValueError, match=r"."):
            parse_size(text)
    else:
        assert parse_size(text) == size


def test_used_space_is_an_amount() -> None:
    assert parse_amount("212 GB") == 212 * 10**9
    assert parse_amount("1,5 TB") == 1_500_000_000_000


def test_a_unit_that_is_none_of_the_known() -> None:
    with pytest.raises(ValueError, match="'inch' is none of: mm"):
        parse_quantity("9 inch", {"": 1, "mm": 1})


@given(st.integers(10**6, 10**14), st.sampled_from([",", ".", "’", " ", "\u202f", "\u00a0"]))
def test_byte_counts_survive_any_thousands_separator(count: int, separator: str) -> None:
    written = f"{count:,}".replace(",", separator)
    if written.count(separator) >= 2:
        assert parse_size(written).counted_bytes == count
    assert parse_size(str(count)).counted_bytes == count


@given(st.integers(1, 50_000))
def test_labels_round_trip(gigabytes: int) -> None:
    assert parse_size(f"{gigabytes} GB").labelled_gb == gigabytes
    assert parse_size(f"{gigabytes} TB").labelled_gb == gigabytes * 1000


@given(st.integers(2_000, 2**36))
def test_sectors_and_bytes_round_trip(count: int) -> None:
    assert (
        parse_size(f"{count} sectors").counted_bytes == parse_size(f"{count * 512} bytes").counted_bytes == count * 512
    )


@given(st.floats(0.5, 100).map(lambda value: round(value, 2)))
def test_millimetres_and_centimetres_round_trip(height: float) -> None:
    units = {"": 1.0, "mm": 1.0, "cm": 10.0}
    assert parse_quantity(f"{height} mm", units) == height
    assert parse_quantity(f"{height:.2f}".replace(".", ","), units) == height
    assert parse_quantity(f"{height / 10:.3f} cm", units) == pytest.approx(height)
