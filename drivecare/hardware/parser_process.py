"""The process that parses a stranger's file system: started, bounded and checked here, and its own main function.

    stdin   the question (a document)     read before it confines itself; then the medium takes its place
    MEDIUM  a descriptor, read-only       the number is the only argument
    stdout  the answer (a document), after a space for every NAMES_A_SPACE names walked, so that a bar can follow

It loads every library first and then gives up all that could reach anything else (`hardware.confinement`). One process
answers for one partition, so that a crash, a hang or nonsense costs the names of that one alone.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Callable

import msgspec

from drivecare.contents.assembly import without_answer
from drivecare.contents.model import VolumeAnswer, VolumeQuestion, contradiction_in
from drivecare.documents import MOST_BYTES, decode, encode
from drivecare.errors import BadInput

PARSER_SECONDS = 900.0
NAMES_A_SPACE = 1000
_GLANCE_SECONDS = 0.5
_ENDS_AFTER_KILL_SECONDS = 5.0


def ask_parser(
    descriptor: int,
    question: VolumeQuestion,
    *,
    seconds: float = PARSER_SECONDS,
    stop_reason: Callable[[], str | None] = lambda: None,
    on_names: Callable[[int], None] = lambda _: None,
    module: str = __name__,
) -> VolumeAnswer:
    """What a partition of an open medium holds; where the parser, `module`, failed, an answer that says so.

    It is given up once there is a reason to stop. `on_names` is told how many names were walked so far.
    """
    with os.fdopen(os.memfd_create("drivecare-question"), "wb+") as paper:
        paper.write(encode(question))
        paper.seek(0)
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", module, str(descriptor)],
            pass_fds=(descriptor,),
            stdin=paper,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={name: value for name, value in os.environ.items() if name == "PYTHONPATH"},
            start_new_session=True,
        )
    try:
        text, ended = _read_answer(process, seconds, stop_reason, on_names)
    finally:
        _end(process)
    if not ended:
        reason = "its structures make the reader run without end, or answer without end"
        return without_answer(question, reason if stop_reason() is None else "the look at it was stopped")
    if process.returncode != 0:
        return without_answer(question, "its structures make the reader fail: damaged, or made to do harm")
    try:
        answer = decode(VolumeAnswer, text, origin="the parser's answer")
    except BadInput:
        return without_answer(question, "the reader's answer makes no sense")
    problem = contradiction_in(answer, question)
    return without_answer(question, f"the reader's answer makes no sense: {problem}") if problem else answer


def _read_answer(
    process: subprocess.Popen[bytes],
    seconds: float,
    stop_reason: Callable[[], str | None],
    on_names: Callable[[int], None],
) -> tuple[bytes, bool]:
    """All that the process wrote, and whether it came to its end within bounds of time and size."""
    assert process.stdout is not None
    until, size, begun = time.monotonic() + seconds, 0, False
    pieces: list[bytes] = []
    while size <= MOST_BYTES and time.monotonic() < until and stop_reason() is None:
        ready, _, _ = select.select([process.stdout], [], [], _GLANCE_SECONDS)
        if ready:
            piece = os.read(process.stdout.fileno(), 1 << 16)
            if not piece:
                return b"".join(pieces), True
            pieces.append(piece)
            size += len(piece)
            if not begun:
                begun = not piece.isspace()
                on_names((size - len(piece.lstrip(b" "))) * NAMES_A_SPACE)
    return b"", False


def _end(process: subprocess.Popen[bytes]) -> None:
    """Make sure that it ends; one that the kernel holds is left behind."""
    assert process.stdout is not None
    process.stdout.close()
    try:
        process.wait(0.5)
    except subprocess.TimeoutExpired:
        process.kill()
        try:
            process.wait(_ENDS_AFTER_KILL_SECONDS)
        except subprocess.TimeoutExpired:
            return


def main() -> None:
    """Answer one question. All of its imports come first; what follows `confine` can reach the medium alone."""
    from drivecare.contents.answering import answer
    from drivecare.contents.readers import apfs, ext, fat, hfs, ntfs, xfs
    from drivecare.contents.usage import answer_usage
    from drivecare.hardware.confinement import confine

    readers = {module.__name__.rpartition(".")[2]: module.open_volume for module in (apfs, ext, fat, hfs, ntfs, xfs)}
    question = decode(VolumeQuestion, sys.stdin.buffer.read(), origin="the question")
    os.dup2(int(sys.argv[1]), 0)
    not_in_force = confine(open_files=2)
    spaces = 0

    def show_progress(names: int) -> None:
        nonlocal spaces
        spaces += os.write(1, b" " * (names // NAMES_A_SPACE - spaces))

    def read(offset: int, length: int) -> bytes:
        return os.pread(0, length, offset)

    about_usage = question.usage
    result = answer_usage(question, read, readers) if about_usage else answer(question, read, readers, show_progress)
    text = memoryview(encode(msgspec.structs.replace(result, not_in_force=not_in_force)))
    while text:
        text = text[os.write(1, text) :]
    os._exit(0)  # no part of the interpreter's end is needed, and some of it would ask for more than is allowed


if __name__ == "__main__":
    main()
