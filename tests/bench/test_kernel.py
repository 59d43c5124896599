"""What the machine's first file system does before the checkout runs; needs no machine."""

from __future__ import annotations

import re

from tests.bench.guest import SHARE, WORK
from tests.bench.kernel import INIT


def test_the_machine_hides_no_folder_that_a_checkout_could_lie_in() -> None:
    """A tmpfs over /tmp or /run of the shared root hid every checkout below them."""
    hidden = re.findall(r"mount .* /root(/\S+)$", INIT, re.MULTILINE)
    assert hidden == ["/run/udev", str(WORK), str(SHARE)]
