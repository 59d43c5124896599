"""The order list: what a supplier must be told so that the drive which arrives fits.

It states what the checks of a candidate ask, so that a drive as ordered passes them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final

from drivecare.fit.adapters import adapter_name
from drivecare.fit.checks import Swap
from drivecare.fit.host_profile import Host
from drivecare.fit.model import SECTOR_FORMATS, Order, OrderRail
from drivecare.fit.pata_checks import next_barrier
from drivecare.fit.size_checks import FEW_YEARS, LEAST_STANDARD_GB, member_bytes, writing_pace
from drivecare.fit.standards import connectors, form_factors
from drivecare.format import format_bytes, format_count, spell_protocol
from drivecare.reading.capacity import standard_bytes
from drivecare.reading.counters import HOURS_PER_YEAR

_VOLTS: Final = {"3v3": 3.3, "5v": 5.0, "12v": 12.0}
_SINGLE_SIDED_MM: Final = 2.3  # M.2: a board of 0.8 mm with parts of up to 1.5 mm on one side


def make_order(swap: Swap) -> Order:
    """State what to order for this unit in place of the old drive."""
    host = swap.host
    limits = host.capacity
    least = required_bytes(swap)
    most = None if limits is None else limits.most_bytes or max(limits.exact_bytes, default=None)
    barrier = None if least is None else next_barrier(host, least)
    most = most if barrier is None else barrier[0]
    if host.moving.larger == "refused" and swap.source is not None and swap.source.capacity_bytes is not None:
        most = swap.source.capacity_bytes
    return Order(
        search=_search_words(host, _search_size(host, least, most)),
        form_factor=host.bay.form_factor,
        height_mm_max=host.bay.height_mm,
        connector=host.interface.connector,
        protocol=" or ".join(host.interface.protocols),
        capacity_bytes_min=least,
        capacity_bytes_max=most,
        logical_sector_bytes=_logical_sector(swap),
        rails=tuple(_rails(host)),
        notes=tuple(_notes(swap, least, most)),
    )


def required_bytes(swap: Swap) -> int | None:
    """The least size to order; None where neither the unit nor the old drive tells.

    A unit that sets its drive up itself may need no more than its least size, but a customer expects what was there.
    """
    content = member_bytes(swap) or (None if swap.source is None else swap.source.capacity_bytes)
    if swap.host.moving.kind == "file-copy":
        content = swap.used_bytes
    limits = swap.host.capacity
    sizes = [size for size in (content, None if limits is None else limits.least_bytes) if size is not None]
    least = max(sizes, default=None)
    if limits is None or not limits.exact_bytes:
        return least
    return min((size for size in limits.exact_bytes if size >= (least or 0)), default=least)


def smallest_label(least_bytes: int) -> int | None:
    """The smallest GB label whose standard count (IDEMA LBA1-03, SFF-8447) is enough; None below 50 GB."""
    start = max(LEAST_STANDARD_GB, least_bytes * 999 // 10**12 - 1)
    if min(standard_bytes(LEAST_STANDARD_GB)) > least_bytes:
        return None
    return next(label for label in itertools.count(start) if min(standard_bytes(label)) >= least_bytes)


def _logical_sector(swap: Swap) -> int | None:
    """What a raw copy needs, else what the unit starts from; None where it takes either size."""
    if swap.host.moving.kind == "sector-copy" and swap.source is not None and swap.source.logical_sector_bytes:
        return swap.source.logical_sector_bytes
    sizes = {SECTOR_FORMATS[name][0] for name in swap.host.sectors.formats}
    return sizes.pop() if len(sizes) == 1 else None


def _rails(host: Host) -> Iterator[OrderRail]:
    """The supply on the connector's contacts, as far as this unit feeds them."""
    for rail in connectors()[host.interface.connector].rails:
        amps = None if host.supply is None else getattr(host.supply, f"rail_{rail}_amps")
        if host.supply is None or amps is not None:
            yield OrderRail(volts=_VOLTS[rail], amps_max=amps)


def _search_words(host: Host, size: str) -> str:
    """What to type into a shop's search: "2.5-inch SATA drive, 500 GB to 1 TB, up to 9.5 mm high"."""
    bay, interface = host.bay, host.interface
    if connectors()[interface.connector].soldered:
        return f"no drive: the unit has {connectors()[interface.connector].name}"
    body, socket = form_factors()[bay.form_factor], connectors()[interface.connector]
    protocols = " or ".join(spell_protocol(protocol) for protocol in interface.protocols)
    link = f"{protocols} {socket.name}"
    if protocols in socket.name or body.name.startswith("M.2"):
        link = protocols if body.name.startswith("M.2") else socket.name
    kinds = {"hdd", "ssd"} if host.recording is None else set(host.recording.kinds)
    kind = "drive" if len(kinds) > 1 else "SSD" if "ssd" in kinds else "hard drive"
    words = " ".join(dict.fromkeys((body.name, link, "SSD" if _is_card(host) else kind)))
    return ", ".join(filter(None, (words, size, f"up to {bay.height_mm:g} mm high")))


def _is_card(host: Host) -> bool:
    """A card has no moving parts: only drives in a housing come as hard drives too."""
    return form_factors()[host.bay.form_factor].screws is None or host.interface.protocols == ("nvme",)


def _search_size(host: Host, least: int | None, most: int | None) -> str:
    if host.capacity is not None and host.capacity.exact_bytes:
        large_enough = sorted(size for size in host.capacity.exact_bytes if size >= (least or 0))
        return f"exactly {' or '.join(map(format_bytes, large_enough or host.capacity.exact_bytes))}"
    label = None if least is None else smallest_label(least)
    smallest = format_bytes(least if label is None else label * 10**9)
    if least is None:
        return "" if most is None else f"at most {format_bytes(most)}"
    if most is None:
        return f"{smallest} or larger"
    if least > most:
        return smallest  # a note says that the unit takes less
    largest = format_bytes(most)
    return smallest if smallest == largest else f"{smallest} to {largest}"


# ------------------------------------------------------------------------------------------------------------ notes


def _notes(swap: Swap, least: int | None, most: int | None) -> Iterator[str]:
    if connectors()[swap.host.interface.connector].soldered:
        yield "nothing can be ordered: what holds the content is part of the board"
        return
    yield from _size_notes(swap, least, most)
    yield from _body_notes(swap.host)
    yield from _plug_notes(swap.host)
    logical = _logical_sector(swap)
    formats = [name for name in swap.host.sectors.formats if logical in (None, SECTOR_FORMATS[name][0])]
    if formats:
        yield f"sector format {', '.join(formats)}"
    else:
        yield f"no sector format of this unit has the old drive's {logical} bytes: ask before you order"
    yield from _use_notes(swap)
    yield "new or erased, with its serial number on the delivery note; judge it before it is fitted"


def _size_notes(swap: Swap, least: int | None, most: int | None) -> Iterator[str]:
    limits = swap.host.capacity
    if least is None:
        yield "least size: read the old drive first (--reading), for nothing else says how large the new one must be"
    if swap.host.moving.kind == "sector-copy" and (swap.source is None or swap.source.capacity_bytes is None):
        if least is not None:
            yield "least size: that of the unit alone; read the old drive (--reading), which may be larger"
    elif swap.host.moving.kind == "sector-copy" and least is not None:
        label = smallest_label(least)
        exact = limits is not None and limits.exact_bytes
        sold = "" if label is None or exact else f"usually sold as {format_bytes(label * 10**9)} or more; "
        yield f"{sold}a label in GB promises no count: ask for at least {least // 512:,} LBAs of 512 bytes"
    if limits is not None and limits.exact_bytes:
        sizes = " or ".join(f"{size:,} bytes ({size // 512:,} LBAs)" for size in limits.exact_bytes)
        yield f"exactly {sizes}: {limits.why}"
    if swap.host.moving.larger == "refused":
        yield "no larger than the old drive: this unit refuses one that is"
    if swap.host.moving.array not in (None, "none") and swap.smallest_member_sectors is None:
        yield "least size: that of the drive pulled from the array; read the ones left, which may be larger"
    if least is not None and (barrier := next_barrier(swap.host, least)):
        most_bytes, owner = barrier
        yield f"no more than {most_bytes:,} bytes unless you know that the unit takes more: {owner} reaches no further"
    if least is not None and most is not None and least > most:
        yield "the old drive is larger than this unit takes by its profile: ask before you order"
    if swap.host.moving.kind == "file-copy" and swap.used_bytes is None:
        yield "least size: say how much of the old drive is used (--used)"


def _body_notes(host: Host) -> Iterator[str]:
    bay, bodies = host.bay, form_factors()
    if bay.also:
        yield f"or {' or '.join(bodies[name].name for name in bay.also)}, which goes in as it is"
    for name in bay.adapters:
        yield f"or {adapter_name(name)}: order that too"
    if bay.least_height_mm is not None:
        yield f"at least {bay.least_height_mm:g} mm high"
    if bay.form_factor.startswith("m2-") and bay.height_mm < _SINGLE_SIDED_MM + 0.1:
        yield "parts on one side of the board only, no heat spreader"
    if bay.spacer:
        yield f"a lower drive also needs a spacer that makes up the difference to {bay.height_mm:g} mm"
    if bay.screws is not None:
        screws, limits = bay.screws, bodies[bay.form_factor].screws
        row = f" ({' or '.join(screws.pattern)} row)" if screws.pattern else ""
        number = format_count(screws.count, "screw")
        yield f"with threaded holes {screws.thread} in its {screws.holes}{row}, for {number}"
        if limits is not None and limits.thin_side_mm < screws.depth_mm and screws.holes == "side" and limits.thin_mm:
            yield (
                f"a drive of {limits.thin_mm:g} mm or less also needs screws that reach at most "
                f"{limits.thin_side_mm:g} mm in: the unit's reach {screws.depth_mm:g} mm"
            )


def _plug_notes(host: Host) -> Iterator[str]:
    interface = host.interface
    others = [name for name in connectors()[interface.connector].accepts if name != interface.connector]
    if others:
        yield f"a plug of {' or '.join(connectors()[name].name for name in others)} goes in too"
    if interface.link_gbps is not None:
        yield f"any link speed; the unit uses {interface.link_gbps:.1f} Gb/s at most"
    if interface.pcie_generation is not None:
        yield f"any PCIe speed; the unit uses PCIe {interface.pcie_generation}.0 x{interface.pcie_lanes or 1} at most"
    if "pata" in interface.protocols:
        position = interface.pata_position or "master, slave or cable select as the old drive is"
        yield f"set by its jumper: {position.replace('-', ' ')}"
    if interface.power_disable_held:
        yield "without the power-disable feature (pin 3), or with an adapter that does not carry 3.3 V"
    if host.supply is None:
        yield "what the unit supplies is not known: compare the new drive's label with the old one's"


def _use_notes(swap: Swap) -> Iterator[str]:
    recording = swap.host.recording
    kinds = {"hdd", "ssd"} if recording is None else set(recording.kinds)
    strict = recording is not None and recording.shingled != "ok" and "hdd" in kinds
    if recording is not None and len(kinds) == 1:
        reason = "" if strict else f": {recording.why}"
        yield f"{'a hard drive' if 'hdd' in kinds else 'a solid-state drive'} only{reason}"
    if recording is None and not _is_card(swap.host):
        yield "a hard drive should not be shingled (SMR): it stalls under steady writing"
    if recording is not None and strict:
        demand = "must" if recording.shingled == "refuse" else "should"
        yield f"a hard drive {demand} not be shingled (SMR): {recording.why}"
    if recording is not None and recording.sustained_mb_s is not None:
        yield f"sustained at least {recording.sustained_mb_s:g} MB/s"
    pace = writing_pace(swap)
    if pace is not None and "ssd" in kinds:
        per_hour, origin = pace
        rated = format_bytes(round(per_hour * HOURS_PER_YEAR * FEW_YEARS))
        daily = format_bytes(round(per_hour * 24))
        yield f"an SSD must be rated for at least {rated} written: {daily} a day, {origin}, for {FEW_YEARS} years"
