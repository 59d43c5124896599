"""What the cells of a stock list become, as people fill them: "2,5 Zoll", "M-Key", "SATA III", "5V 0.95A".

A reader takes the cell of one column and gives the fields of a candidate; it raises ValueError with the reason where it
cannot understand the cell. `stock_columns` says which column has which reader.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from drivecare.fit.model import SECTOR_FORMATS
from drivecare.fit.standards import find_connector, find_form_factor, interfaces
from drivecare.fit.units import parse_amount, parse_quantity, parse_size
from drivecare.reading.identity import normalise_worldwide_name
from drivecare.reading.locale_numbers import parse_number
from drivecare.reading.typed_text import plain_signs

Fields = dict[str, Any]
CellReader = Callable[[str], Fields]

PROTOCOLS: Final = {"sata": "sata", "sas": "sas", "nvme": "nvme", "pata": "pata", "ide": "pata",
                    "usb": "usb", "emmc": "emmc"}  # fmt: skip


def text_cell(field: str) -> CellReader:
    return lambda cell: {field: cell}


def quantity_cell(field: str, units: dict[str, float]) -> CellReader:
    def read(cell: str) -> Fields:
        value = parse_quantity(cell, units)
        if value < 0:
            raise ValueError("is negative")
        return {field: value}

    return read


def current_cell(field: str, volts: str) -> CellReader:
    """The current alone, or with its voltage as labels print it: "5V 0.95A"."""
    plain = quantity_cell(field, {"": 1.0, "a": 1.0, "ma": 0.001})

    def read(cell: str) -> Fields:
        rail = re.search(r"\b(\d+(?:[.,]\d+)?)\s*v(?:dc)?\b", cell.lower())
        if rail is None:
            return plain(cell)
        if rail[1].replace(",", ".") != volts:
            raise ValueError(f"{cell!r} is about another voltage than {volts} V")
        return plain((cell[: rail.start()] + cell[rail.end() :]).strip(" :/@,;="))

    return read


def height_cell(cell: str) -> Fields:
    height = parse_quantity(cell, {"": 1.0, "mm": 1.0, "cm": 10.0})
    if height <= 0:
        raise ValueError(f"{cell!r} is not a height")
    return {"height_mm": height}


def choice_cell(field: str, choices: Mapping[str, object]) -> CellReader:
    """A cell that is one of `choices`, or contains words of one answer only: "SATA III" is SATA."""

    def read(cell: str) -> Fields:
        lower = cell.lower()
        if lower not in choices and re.search(r"\b(?:no|not|non|kein|nicht)\b", lower):
            raise ValueError(f"{cell!r} is none of: {', '.join(choices)}")
        words = [word for word in choices if re.search(rf"(?<![a-z0-9]){re.escape(word)}(?![a-z])", lower)]
        answers = {choices[lower]} if lower in choices else {choices[word] for word in words}
        if len(answers) != 1:
            raise ValueError(f"{cell!r} is {'more than one' if answers else 'none'} of: {', '.join(choices)}")
        return {field: answers.pop()}

    return read


def capacity_cell(cell: str) -> Fields:
    size = parse_size(cell)
    if size.counted_bytes is not None:
        return {"capacity_bytes": size.counted_bytes}
    return {"labelled_gb": size.labelled_gb}


def size_cell(cell: str) -> Fields:
    """A column headed "Size" holds either how much the drive holds or how large it is."""
    if find_form_factor(_plain_form_factor(cell)) is not None:
        return form_factor_cell(cell)
    return capacity_cell(cell)


def wwn_cell(cell: str) -> Fields:
    wwn = normalise_worldwide_name(cell)
    if wwn is None:
        raise ValueError(f"{cell!r} is not 16 or 32 hexadecimal digits")
    return {"wwn": wwn}


def _plain_form_factor(cell: str) -> str:
    """ "2,5 Zoll", "22x80 mm", "M2 2280" as the standards' table spells them."""
    plain = re.sub(r"(?<=\d),(?=\d)", ".", plain_signs(cell).lower())
    plain = re.sub(r"\s*(?:zoll|inches|inch|in\.?|\"|'')\s*$", "-inch", plain.strip())
    plain = re.sub(r"\b(22|30)\s*x\s*(30|42|60|80|110)\s*(?:mm)?\b", r"\1\2", plain)
    plain = re.sub(r"^m\.?2\W*(?:ssd\W*)?", "m.2 ", plain) if re.search(r"\d{4}", plain) else plain
    return re.sub(r"^(22(?:30|42|60|80|110))\W*m\.?2$", r"m.2 \1", plain)


_M2_KEY: Final = re.compile(r"(?i)\b(?:[bm]\s*[+&/]\s*[bm]|[bm](?=\W*key)|(?<=key )[bm])\b")


def form_factor_cell(cell: str) -> Fields:
    """The form factor; of an M.2 card also its key, where the cell has both: "2280 B+M"."""
    if re.search(r"\b(?:22|30)\d\d\b", cell) and (key := _M2_KEY.search(cell)):
        body_alone = re.sub(r"(?i)\W*\bkeys?\b\W*", " ", cell[: key.start()] + cell[key.end() :]).strip(" ,-()")
        return form_factor_cell(body_alone) | connector_cell(key[0])
    body = find_form_factor(cell) or find_form_factor(_plain_form_factor(cell))
    if body is None:
        raise ValueError(f"{cell!r} is not a form factor we know")
    return {"form_factor": body.id}


def _plain_connector(cell: str) -> str:
    """ "M-Key", "Key B+M", "SATA III", "IDE 44 pin" as the standards' table spells them."""
    plain = plain_signs(cell).lower().strip()
    if key := re.fullmatch(r"(?:m\.?2)?\W*(?:key)?\W*([bm])(?:\s*[+&/ ]?\s*([bm]))?\W*(?:key)?\W*", plain):
        return "m2-bm" if key[2] not in (None, key[1]) else f"m2-{key[1]}"
    if re.fullmatch(
        r"(?:serial\W?ata|sata)\W*(?:i{1,3}|[1-3](?:\.\d)?|\d(?:[.,]\d)?\s*(?:g|gb/s|gbit/s|gbps))?", plain
    ):
        return "sata"
    if pins := re.fullmatch(r"(?:ide|pata|ata)\W*(4[04])\W*(?:pins?|polig)?", plain):
        return f"pata-{pins[1]}"
    return plain


def connector_cell(cell: str) -> Fields:
    plug = find_connector(cell) or find_connector(_plain_connector(cell))
    if plug is None:
        raise ValueError(f"{cell!r} is not a connector we know")
    return {"connector": plug.id}


def sector_format_cell(cell: str) -> Fields:
    lower = cell.lower()
    spelled = {"512n": r"512\s*/\s*512|512\s*native", "512e": r"512\s*/\s*(4096|4k)|512\s*emulat\w*",
               "4Kn": r"(4096|4k)\s*/\s*(4096|4k)|(4096|4k)\s*native"}  # fmt: skip
    for name, (logical, physical) in SECTOR_FORMATS.items():
        if re.search(rf"\b{name.lower()}\b", lower) or re.search(spelled[name], lower):
            return {"logical_sector_bytes": logical, "physical_sector_bytes": physical}
    raise ValueError(f"{cell!r} is none of: {', '.join(SECTOR_FORMATS)}")


_PCIE_LINK: Final = (
    r"pci-?e?\s*(?:express)?\s*(?:gen\.?\s*)?(?P<generation>\d)(?:\.0)?\s*,?\s*x\s*(?P<lanes>\d+)",
    r"gen\.?\s*(?P<generation>\d)\s*,?\s*x\s*(?P<lanes>\d+)",
    r"x\s*(?P<lanes>\d+)\s*,?\s*gen\.?\s*(?P<generation>\d)",
)
_SATA_REVISIONS: Final = {"i": 1.5, "1": 1.5, "ii": 3.0, "2": 3.0, "iii": 6.0, "3": 6.0}


def link_cell(cell: str) -> Fields:
    """A rate, or the generation that stands for it: SATA III is 6.0 Gb/s (SATA-IO's naming, from memory)."""
    lower = cell.lower()
    for pattern in _PCIE_LINK:
        if match := re.search(pattern, lower):
            generation, lanes = int(match["generation"]), int(match["lanes"])
            if not 1 <= generation <= len(interfaces().pcie.gigatransfers) or lanes not in (1, 2, 4, 8, 16):
                raise ValueError(f"{cell!r} is not a PCIe link we know")
            return {"pcie_generation": generation, "pcie_lanes": lanes}
    if revision := re.fullmatch(r"sata[\s-]*(?:rev(?:ision|\.)?\s*)?(i{1,3}|[123])", lower):
        return {"link_gbps": _SATA_REVISIONS[revision[1]]}
    if re.fullmatch(r"sata\s*3[.,]0", lower):
        raise ValueError(f"{cell!r} may be revision 3.0, which runs at 6.0 Gb/s, or a rate; write 6.0 Gb/s or 3.0 Gb/s")
    match = re.fullmatch(r"(?:sata|sas)?[\s-]*(\d+(?:[.,]\d+)?)\s*(?:gb/s|gbit/s|gbps|gb|g)?", lower)
    links = interfaces().links
    if match is None or parse_number(match[1]) not in {*links.sata, *links.sas}:
        raise ValueError(f"{cell!r} is not a link we know")
    return {"link_gbps": parse_number(match[1])}


_HOLES: Final = ("side", "bottom", "side-middle", "bottom-middle", "bottom-end")


def mounting_cell(cell: str) -> Fields:
    words = re.findall(r"(?:side|bottom)-(?:middle|end)|[a-z]+", cell.lower())
    holes = tuple(word.removesuffix("s") for word in words if word != "and")
    if not set(holes) <= set(_HOLES) or not holes:
        raise ValueError(f"{cell!r} is none of: {', '.join(_HOLES)}, or several joined by +")
    return {"mounting": holes}


def error_rate_cell(cell: str) -> Fields:
    match = re.search(r"(?:10\s*(?:\^|\*\*|e)|1e)\s*\+?(1[2-9])\s*(?:bits?(?: read)?)?\s*$", cell.lower())
    if match is None:
        raise ValueError(f"{cell!r} is not an error rate such as 1 in 10^14 bits")
    return {"error_bits_exponent": int(match[1])}


def endurance_cell(cell: str) -> Fields:
    rated = parse_amount(re.sub(r"(?i)tbw$", "TB", cell))
    if rated < 10**9:
        raise ValueError(f"{cell!r} is too little for a drive; say TB")
    return {"rated_written_bytes": rated}


def interface_cell(cell: str) -> Fields:
    """A column headed "Interface" holds protocol, link or both: "SATA III", "NVMe PCIe 3.0 x4"; mSATA is a plug too."""
    if cell.lower() == "msata":
        return {"protocol": "sata", "connector": "msata"}
    if cell.lower().startswith("pci"):
        return link_cell(cell)
    fields = choice_cell("protocol", PROTOCOLS)(cell)
    try:
        return fields | link_cell(re.sub(r"(?i)\bnvme\b\s*,?\s*", "", cell).strip())
    except ValueError:
        return fields
