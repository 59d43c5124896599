"""A bench with two drives, recorded. As a program it is drivecare on that bench, for sessions typed at a terminal:

python -m tests.cli.recorded_bench FOLDER COMMAND...
"""

from __future__ import annotations

import random
import re
import sys
from datetime import UTC, datetime
from pathlib import Path

from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import BackendAnswer, Recorded
from tests.hardware.reports import answer
from tests.hardware.sysfs import Tree, identify_page

SIZE = 64 << 20
DEMO = Path(__file__).parents[2] / "fixtures" / "demo"
DRIVES = {  # model, serial number, WWN, report
    "old": ("Kestrel KD-500", "KX25-00417", "50c0ffe0a1b20417", "failing-drive.txt"),
    "new": ("Petrel PM-500", "PM6-311842", "50c0ffe0b7031842", "new-drive.txt"),
}
LASTING = {drive: f"/dev/disk/by-id/ata-{names[0].replace(' ', '_')}_{names[1]}" for drive, names in DRIVES.items()}


def lay_out(folder: Path, *, moved: bool = False, names: tuple[str, str] = ("sdx", "sdy")) -> Path:
    """Make the tree of /sys and /dev, files that stand for the two drives, and the stock list.

    The first of `names` is the customer's drive and the second the new one; `moved`: the other way round, as after a
    reboot.
    """
    tree = Tree(folder / ("moved" if moved else "tree"))
    for number, (name, drive) in enumerate(zip(names, ("new", "old") if moved else ("old", "new"), strict=True)):
        model, serial, wwn, _ = DRIVES[drive]
        page = identify_page(model=model, serial=serial, wwn=wwn)
        at = f"pci0000:00/ata{number}/host{number}/target{number}"
        tree.drive(name, at, sectors=SIZE // 512, device__vpd_pg89=page)
        content = folder / f"{drive}.img"
        if not content.exists():
            data = random.Random(5).randbytes(2 << 20) if drive == "old" else b""
            content.write_bytes(bytes(1 << 20 if data else 0) + data)
            with content.open("r+b") as file:
                file.truncate(SIZE)
        (tree.root / "dev/disk/by-id").mkdir(parents=True, exist_ok=True)
        (tree.root / f"dev/{name}").hardlink_to(content)
        (tree.root / LASTING[drive].lstrip("/")).symlink_to(f"../../{name}")
    (folder / "stock.csv").write_bytes((DEMO / "stock.csv").read_bytes())
    return tree.root


def bench(root: Path) -> Machine:
    """The machine of a tree that was laid out."""
    answers: dict[str, BackendAnswer | list[BackendAnswer]] = {}
    now = datetime.now(UTC).strftime("%a %b %d %H:%M:%S %Y UTC")
    for drive, (*_, report) in DRIVES.items():
        text = (DEMO / report).read_text(encoding="utf-8")
        link = root / LASTING[drive].lstrip("/")
        for path in (LASTING[drive], f"/dev/{link.readlink().name}"):
            answers[path] = answer(re.sub("(Local Time is: +).*", rf"\g<1>{now}", text))
    return Machine(
        root=root,
        backend=lambda: Recorded(answers),
        native_capacity=lambda _: None,
        programs=frozenset,
        is_root=True,
    )


if __name__ == "__main__":
    from drivecare.cli.main import main

    sys.argv = ["drivecare", *sys.argv[2:]]
    main(bench(Path(sys.orig_argv[-len(sys.argv)])))
