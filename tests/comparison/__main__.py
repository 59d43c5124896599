"""Judge every report in fixtures, and damaged copies of each, by another revision and by this tree; print what differs.

    python -m tests.comparison REVISION [COPIES]      COPIES: damaged copies of each report, 20 unless given

Ends with 0 where nothing differs, and with 1 otherwise. A change of behaviour shows here whole, wanted or not.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
ANSWERS = Path(__file__).with_name("answers.py")


def damaged(text: str, chance: random.Random) -> str:
    """The report as a mail, a phone or a tired hand might leave it."""
    lines = text.split("\n")
    for _ in range(chance.randrange(1, 4)):
        place = chance.randrange(len(lines))
        match chance.randrange(7):
            case 0:
                del lines[place : place + chance.randrange(1, 6)]
            case 1:
                lines[place:] = []
            case 2:
                lines.insert(chance.randrange(len(lines) + 1), lines[place])
            case 3:
                lines[place] = lines[place][: chance.randrange(len(lines[place]) + 1)]
            case 4:
                lines[place] = "> " + lines[place]
            case 5:
                lines[place] = "".join(
                    str(chance.randrange(10)) if sign.isdigit() and chance.random() < 0.3 else sign
                    for sign in lines[place]
                )
            case _:
                lines[place] = lines[place].replace(" ", "  ").replace(":", "")
        lines = lines or [""]
    return "\n".join(lines)


def write_reports(folder: Path, copies: int) -> None:
    """Every report of fixtures/reports and its damaged copies, the same in every run."""
    for report in sorted((ROOT / "fixtures/reports").rglob("*.txt")):
        name = "-".join(report.relative_to(ROOT / "fixtures/reports").with_suffix("").parts)
        content = report.read_bytes()
        (folder / f"{name}.txt").write_bytes(content)
        chance = random.Random(name)
        text = content.decode("utf-8", "surrogateescape")
        for number in range(copies):
            (folder / f"{name}.{number:03}.txt").write_bytes(damaged(text, chance).encode("utf-8", "surrogateescape"))


def answers_of(tree: Path, folder: Path) -> subprocess.Popen[str]:
    """A process that prints what the tree says."""
    return subprocess.Popen([sys.executable, ANSWERS, tree, folder], stdout=subprocess.PIPE, text=True, cwd=folder)


def differences(before: Any, after: Any, place: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Where two JSON values differ."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in before.keys() | after.keys():
            yield from differences(before.get(key, "absent"), after.get(key, "absent"), f"{place}.{key}")
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for number, pair in enumerate(zip(before, after, strict=True)):
            yield from differences(*pair, f"{place}[{number}]")
    elif before != after:
        yield place, before, after


def printed(answer: dict[str, Any]) -> Any:
    """What was printed: a document as its values, anything else as its lines."""
    try:
        return json.loads(answer["printed"])
    except ValueError:
        return answer["printed"].splitlines()


def main(revision: str, copies: int) -> int:
    """Print what differs and return the exit code."""
    compared, places = 0, Counter[str]()
    with tempfile.TemporaryDirectory(prefix="drivecare-comparison-") as scratch:
        tree, folder = Path(scratch, "tree"), Path(scratch, "reports")
        folder.mkdir()
        write_reports(folder, copies)
        subprocess.run(["git", "worktree", "add", "-q", "--detach", tree, revision], cwd=ROOT, check=True)
        try:
            processes = answers_of(tree, folder), answers_of(ROOT, folder)
            for before, after in zip(*(process.stdout or () for process in processes), strict=True):
                old, new = json.loads(before), json.loads(after)
                compared += 1
                pair = [(answer["exit_code"], printed(answer)) for answer in (old, new)]
                for place, was, now in differences([*pair[0]], [*pair[1]]):
                    places[f"{old['command']}: {place}"] += 1
                    print(f"{new['report']}: {new['command']}: {place}\n  - {was}\n  + {now}")
            codes = [process.wait() for process in processes]
        finally:
            subprocess.run(["git", "worktree", "remove", "--force", tree], cwd=ROOT, check=True)
    print(f"{compared} answers compared, {sum(places.values())} differences")
    for place, count in places.most_common(20):
        print(f"{count:6} {place}")
    return 1 if places or any(codes) or not compared else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 20))
