"""The only way out to a terminal: lines, questions, progress bars, the console, tables in a pipe.

Text that is not ours is made visible here. Twice, so that nothing is forgotten: the helpers below escape what they are
given, and `guard_streams` escapes whatever else is written (by click, by logging, in a traceback). Only the styles and
cursor movements of our own console and bars go past the guard. tests/cli/test_terminal.py keeps every other module of
this room from speaking to a terminal by itself.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import IO, TYPE_CHECKING, Any, Protocol, TextIO, cast

import click

from drivecare.errors import BadInput, NotAnswered
from drivecare.format import clip_text
from drivecare.visible import visible, visible_lines

if TYPE_CHECKING:
    from tqdm import tqdm

    from drivecare.cli.screen import Screen


_QUIET = "drivecare.quiet"  # in the context: no bell and no bar


class GuardedStream(io.TextIOWrapper):
    """A text stream on which every invisible character but the line feed is written as an escape."""

    def __init__(self, stream: io.TextIOWrapper) -> None:
        """Take the place of a stream; a sign that its encoding lacks becomes a question mark."""
        self._replaced = stream  # left to itself it would close the file that both write to
        super().__init__(
            stream.buffer,
            encoding=stream.encoding,
            errors="replace",
            line_buffering=stream.line_buffering,
            write_through=stream.write_through,
        )

    def write(self, text: str, /) -> int:
        """Write the text made visible."""
        super().write(visible_lines(text))
        return len(text)

    def write_as_is(self, text: str) -> int:
        """Write what this room has made visible and styled itself."""
        return super().write(text)


class _PastGuard:
    """The same stream for our own console and bars."""

    def __init__(self, stream: GuardedStream) -> None:
        self._stream = stream
        self.write = stream.write_as_is

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def guard_streams() -> None:
    """Guard stdout and stderr of this process."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper) and not isinstance(stream, GuardedStream):
            setattr(sys, name, GuardedStream(stream))


def console() -> Screen:
    """Make the console on stdout: plain in a pipe and under NO_COLOR; 80 columns in a pipe."""
    from drivecare.cli.screen import Screen

    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else 80
    return Screen(file=_past_guard(sys.stdout), width=width, highlight=False, markup=False, emoji=False)


def notify(sentence: str) -> None:
    """Print one line on stderr, beside the result; at a terminal it is broken between words only."""
    click.echo(_fit(visible(sentence)), err=True)


def _fit(sentence: str) -> str:
    """Break a sentence between words where stderr is a terminal; a path that is too long stays whole."""
    if not sys.stderr.isatty():
        return sentence
    width = max(shutil.get_terminal_size().columns, 20)
    return textwrap.fill(sentence, width, break_long_words=False, break_on_hyphens=False)


def ask(question: str) -> str:
    """Ask for one line and return it without surrounding blanks; empty if the person just presses return.

    Raises NotAnswered if they break it off or there is nobody to answer.
    """
    ring_bell()
    try:
        answer: str = click.prompt(_fit(visible(question)), default="", show_default=False, err=True)
    except click.Abort as error:
        raise NotAnswered("the question was not answered, so nothing was done") from error
    return answer.strip()


def ask_choice(question: str, choices: Sequence[str]) -> str:
    """Ask until one of the choices is typed. Raises NotAnswered if the person just presses return."""
    while (answer := ask(question)) not in choices:
        if not answer:
            raise NotAnswered("the question was not answered, so nothing was done")
    return answer


def can_ask() -> bool:
    """Whether somebody is there who can answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def progress_bar(description: str, **options: Any) -> tqdm[Any]:
    """Make a bar on stderr, silent if that is not a terminal or the person wants quiet."""
    from tqdm import tqdm

    return tqdm(desc=visible(description), file=_past_guard(sys.stderr), disable=is_quiet() or None, **options)


def clip_line(text: str) -> str:
    """Cut a text to one line of the terminal."""
    return clip_text(visible(text), shutil.get_terminal_size().columns - 1)


def ring_bell() -> None:
    """Call a person who looked away: a long run has ended or stopped, or a question waits."""
    if sys.stderr.isatty() and not is_quiet():
        _past_guard(sys.stderr).write("\a")
        sys.stderr.flush()


def is_quiet() -> bool:
    """Whether the person asked for neither bells nor bars."""
    ctx = click.get_current_context(silent=True)
    return ctx is not None and ctx.meta.get(_QUIET, False)


def silence(ctx: click.Context) -> None:
    """Ring no bell and draw no bar for the rest of this command."""
    ctx.meta[_QUIET] = True


def stdout_is_terminal() -> bool:
    """Whether a person reads the result as it is printed, and not a script."""
    return sys.stdout.isatty()


def stderr_is_terminal() -> bool:
    """Whether somebody may be watching."""
    return sys.stderr.isatty()


def stdout_to_stderr() -> AbstractContextManager[object]:
    """Redirect stdout to stderr for a while."""
    return contextlib.redirect_stdout(sys.stderr)


def print_document(document: bytes) -> None:
    """Write a document to stdout unchanged; JSON is escaped where it is encoded."""
    sys.stdout.buffer.write(document)


def flush_stdout() -> None:
    """Write out everything printed so far. Raises OSError if there is no room for it."""
    sys.stdout.flush()


def standard_input() -> IO[bytes]:
    """Give what is typed or piped in, byte for byte."""
    return sys.stdin.buffer


def read_pasted(what: str, *, limit_bytes: int) -> bytes:
    """Read what is piped in or pasted at the terminal, which is asked for then. Raises BadInput beyond the limit."""
    if sys.stdin.isatty():
        notify(f"Paste {what}, then press Ctrl-D on a line of its own.")
    data = sys.stdin.buffer.read(limit_bytes + 1)
    if len(data) > limit_bytes:
        raise BadInput(f"holds more than {limit_bytes:,} bytes", location="stdin", hint=f"Give {what} alone.")
    return data


def close_stderr() -> None:
    """Close stderr: nobody listens any more, and what is left to say at exit would only complain about that."""
    sys.stderr.close()


class TableStream(Protocol):
    """Where a table of data goes, text by text."""

    def write(self, text: str, /) -> object:
        """Write a part of it."""


class _Pipe:
    """Stdout that is not a terminal: the table in UTF-8, other bytes in its cells unchanged."""

    def write(self, text: str, /) -> None:
        sys.stdout.buffer.write(text.encode("utf-8", "surrogateescape"))


def table_stream() -> TableStream:
    """Give stdout for a table: byte for byte into a pipe or file, made visible on a terminal."""
    return sys.stdout if sys.stdout.isatty() else _Pipe()


def _past_guard(stream: TextIO) -> TextIO:
    return cast(TextIO, _PastGuard(stream)) if isinstance(stream, GuardedStream) else stream
