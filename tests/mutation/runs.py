"""One mutant, one private copy of the tree, the fast tests against it: those of its room first."""

from __future__ import annotations

import ast
import contextlib
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.targets import Mutant, Unsound

# For the tests of the room, for all others, for one test: many times what they take. A mutant that takes longer hangs.
LIKELY_SECONDS, REST_SECONDS, TEST_SECONDS = 300, 900, 60
MOST_MEMORY_BYTES = 4 << 30

_LEFT_OUT = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "build", "dist")
_PYTEST = (
    *("-m", "pytest", "-q", "-x", "-o", "addopts=", "-m", "not slow and not bench", "--timeout", str(TEST_SECONDS)),
    *("-p", "no:cacheprovider", "-p", "no:xdist", "--ignore", "tests/mutation"),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether the tests noticed, and by what."""

    caught: bool
    by: str


class Tree:
    """A private copy of the tree, in which one file at a time is another. The checkout is never touched."""

    def __init__(self, root: Path, copy: Path, *, quick: bool = False) -> None:
        self.root, self.copy, self._quick = root, copy, quick
        shutil.copytree(root, copy, ignore=_LEFT_OUT)
        shutil.copytree(root / ".ci", copy / ".ci")
        self._environment = os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
        self._environment["PYTEST_DEBUG_TEMPROOT"] = str(copy.parent)
        self._order = Order(copy)
        self._running: subprocess.Popen[bytes] | None = None
        self._check_what_is_imported()

    def _check_what_is_imported(self) -> None:
        command = [sys.executable, "-c", "import drivecare.transfer as t; print(t.__file__)"]
        package = subprocess.run(command, cwd=self.copy, env=self._environment, capture_output=True, text=True).stdout
        if not package.startswith(str(self.copy)):
            raise Unsound(f"the copy's code is not what is imported there: {package or 'nothing'}")

    def outcome(self, mutant: Mutant | None) -> Outcome:
        """What the tests say to a mutant; to the tree as it is, where there is none."""
        if mutant is None:
            return self._tested((), REST_SECONDS)
        changed = self.copy / mutant.file
        source = changed.read_bytes()
        changed.write_bytes(mutant.applied(source))
        try:
            likely = self._order.likely(mutant.file)
            first = self._tested(likely, LIKELY_SECONDS)
            if first.caught or self._quick:
                return first
            return self._tested(["--ignore=" + path for path in likely], REST_SECONDS)
        finally:
            changed.write_bytes(source)

    def _tested(self, arguments: Iterable[str], seconds: float) -> Outcome:
        with tempfile.TemporaryFile(mode="w+", errors="replace") as output:
            process = self._running = subprocess.Popen(
                [sys.executable, *_PYTEST, *arguments],
                cwd=self.copy,
                env=self._environment,
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                preexec_fn=_keep_small,
            )
            try:
                code = process.wait(seconds)
            except subprocess.TimeoutExpired:
                return Outcome(True, f"the time limit of {seconds:.0f} s")
            finally:
                self.stop()
            output.seek(0)
            printed = output.read()
        if code in (0, 5):  # passed; nothing to run
            return Outcome(False, "")
        failed = [line for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
        if code == 4 or (code == 3 and not failed):
            raise Unsound(f"pytest could not be run: {printed[-2000:]}")
        return Outcome(True, failed[0].split(" - ")[0] if failed else f"its end, {code}")

    def stop(self) -> None:
        """End the test process and all it left running; it leads a session of its own, so it is only those."""
        process, self._running = self._running, None
        if process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _keep_small() -> None:
    """What a mutant may take from the machine: some memory, and the processor when nobody else wants it."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    os.nice(5)


class Order:
    """Which test files are likely to notice a slip in a file: those of its room, and all that import it."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._imports = {path: _imported(path) for path in sorted((root / "tests").rglob("*.py"))}

    def likely(self, file: str) -> list[str]:
        """The likely ones: first of all the file's own, then those that import it, then the rest of its room."""
        module = file.removesuffix(".py").replace("/", ".")
        room, name = Path(file).parts[1], Path(file).stem
        ranked = []
        for path in self._imports:
            if not path.name.startswith("test_") or path.relative_to(self._root).parts[1] in ("mutation", "bench"):
                continue
            inside, direct = path.parent.name == room, module in self._reached(path)
            if inside or direct:
                ranked.append((name not in path.stem, not (inside and direct), not direct, path.stat().st_size, path))
        return [str(path.relative_to(self._root)) for *_, path in sorted(ranked)]

    def _reached(self, path: Path) -> set[str]:
        """What a test file imports, by itself or through its helpers."""
        reached: set[str] = set()
        waiting = [path]
        while waiting:
            for name in self._imports.get(waiting.pop(), set()) - reached:
                reached.add(name)
                if name.startswith("tests."):
                    waiting.append(self._root / (name.replace(".", "/") + ".py"))
        return reached


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names
