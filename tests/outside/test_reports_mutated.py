"""The real reports, damaged: see tests/reading/test_fuzz.py for what must hold."""

from __future__ import annotations

import pytest

from drivecare.reading.report_text import text_of
from tests.outside.recorded import real_reports
from tests.reading.test_fuzz import check


def _many(count: int) -> None:
    texts = [text_of(data, origin=name) for name, data in real_reports().items() if "vd" not in name]
    compared = sum(check(texts[seed % len(texts)], seed) for seed in range(count))
    assert compared > count


def test_damaged_real_reports_never_raise_and_never_look_healthier() -> None:
    _many(300)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_twenty_thousand_damaged_real_reports_never_raise_and_never_look_healthier() -> None:
    _many(20_000)
