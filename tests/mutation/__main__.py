"""`python -m tests.mutation`: draw slips, run the tests, print a table.

It ends with 1 where a slip survived that nobody argued away, with 2 where the run itself would prove nothing.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from queue import SimpleQueue

from tests.mutation.operators import OPERATORS
from tests.mutation.runs import Outcome, Tree
from tests.mutation.targets import TARGETS, Equivalent, Mutant, Unsound, draw, load_equivalent, mutants

ROOT = Path(__file__).resolve().parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
SAMPLE, SEED = 160, 2026


def main(arguments: list[str] | None = None) -> int:
    """Run the whole; the process's exit code."""
    options = _parser().parse_args(arguments)
    try:
        every = mutants(ROOT)
        equivalent = load_equivalent(EQUIVALENT, every)
        drawn = [
            mutant for mutant in draw(every, options.sample, options.seed) if re.search(options.match, str(mutant))
        ]
        if options.list:
            print("\n".join(map(str, drawn)))
            return 0
        print(f"{len(drawn)} of {len(every):,} slips, seed {options.seed}, {options.jobs} at a time", file=sys.stderr)
        survivors = _judged(drawn, equivalent, options.jobs, quick=options.quick)
    except Unsound as error:
        print(error, file=sys.stderr)
        return 2
    return 1 if survivors else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--sample", type=int, default=SAMPLE, metavar="N", help=f"how many to draw (default {SAMPLE})")
    parser.add_argument("--seed", type=int, default=SEED, help=f"which draw (default {SEED})")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="how many at a time")
    parser.add_argument("--match", default="", metavar="PATTERN", help="only those whose line this pattern is found in")
    parser.add_argument(
        "--quick", action="store_true", help="only the likely tests: names more survivors than there are"
    )
    parser.add_argument("--list", action="store_true", help="print the draw and run nothing")
    return parser


def _judged(drawn: list[Mutant], equivalent: list[Equivalent], jobs: int, *, quick: bool) -> list[Mutant]:
    """Run them, print the table; the survivors that nobody argued away."""
    began, outcomes = time.monotonic(), {}
    for number, (mutant, outcome) in enumerate(_run(drawn, jobs, quick=quick), 1):
        outcomes[mutant] = outcome
        result = f"caught by {outcome.by}" if outcome.caught else "SURVIVED"
        print(f"{number}/{len(drawn)} {mutant}: {result}", file=sys.stderr, flush=True)
    lived = [mutant for mutant in drawn if not outcomes[mutant].caught]
    argued = [mutant for mutant in lived if any(entry.covers(mutant) for entry in equivalent)]
    survivors = [mutant for mutant in lived if mutant not in argued]
    for title, key, names in (("group", "group", TARGETS), ("operator", "operator", OPERATORS)):
        print(f"\n{title:22}{'drawn':>7}{'caught':>8}{'equivalent':>12}{'survived':>10}")
        for name in (*names, None):
            counts = [sum(name in (None, getattr(m, key)) for m in some) for some in (drawn, argued, survivors)]
            print(f"{name or 'all':22}{counts[0]:7}{counts[0] - counts[1] - counts[2]:8}{counts[1]:12}{counts[2]:10}")
    print(f"\n{time.monotonic() - began:,.0f} s")
    for mutant in survivors:
        print(f"SURVIVED {mutant}")
    return survivors


def _run(drawn: list[Mutant], jobs: int, *, quick: bool) -> Iterator[tuple[Mutant, Outcome]]:
    """Each as it is done. Raises Unsound where the tests fail on the tree as it is, for then nothing is proven."""
    with tempfile.TemporaryDirectory(prefix="drivecare-mutation-") as folder:
        trees = [Tree(ROOT, Path(folder) / f"{number}" / "tree", quick=quick) for number in range(jobs)]
        free: SimpleQueue[Tree] = SimpleQueue()
        for tree in trees:
            free.put(tree)

        def outcome(mutant: Mutant | None) -> Outcome:
            tree = free.get()
            try:
                return tree.outcome(mutant)
            finally:
                free.put(tree)

        with ThreadPoolExecutor(jobs) as pool:
            running = {pool.submit(outcome, mutant): mutant for mutant in (None, *drawn)}
            try:
                for done in as_completed(running):
                    mutant = running[done]
                    if mutant is not None:
                        yield mutant, done.result()
                    elif done.result().caught:
                        raise Unsound(f"the tests fail on the tree as it is: {done.result().by}")
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                for tree in trees:
                    tree.stop()
                raise


if __name__ == "__main__":
    sys.exit(main())
