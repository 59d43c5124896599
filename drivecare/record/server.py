"""One connection to the server that keeps a shared record, made when it is first needed. The only file that knows
the driver: its errors become ours here, in one table."""

from __future__ import annotations

import os
import socket
import threading
import time
import weakref
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, LiteralString, NamedTuple

from drivecare.errors import BadInput, DriveCareError, RecordAway, Unavailable
from drivecare.record.address import ServerAddress, choose_sslmode

try:
    import psycopg
    from psycopg import errors, pq, sql
except ImportError as error:
    raise Unavailable(
        f"the packages for a shared record are missing: {error}", hint='Run: pip install "drivecare[shared]"'
    ) from error

SCHEMA_NUMBER = 2
"""Of the newest file in `migrations`: what this drivecare reads and writes."""

_PATIENCE = 60.0  # seconds for one transaction: a network may swallow an answer without ending the connection
_RETRY_AFTER = 20.0  # seconds: one command asks several times, and each waits for connect_timeout
_OPTIONS: dict[str, Any] = {
    "connect_timeout": 5,
    "application_name": "drivecare",
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,  # milliseconds
    # Nor does the server keep a job locked for a bench that it does not hear any more.
    "options": "-c idle_in_transaction_session_timeout=60s",
}
_SET_UP = "drivecare records setup"


class _Meaning(NamedTuple):
    """What an error of the driver is here, if it is of these `kinds` and its text has one of these `words`, if any."""

    kinds: tuple[type[psycopg.Error], ...]
    error: type[DriveCareError]
    problem: str
    hint: str
    words: tuple[str, ...] = ("",)


# The first that fits. What is not here is a defect of ours, and shows as one. A connection that was refused has no code
# but in words: where those are translated, the last row stands for it, and the reason is shown as it is.
_MEANINGS = (
    _Meaning(
        (errors.UndefinedTable, errors.InvalidSchemaName, errors.UndefinedColumn),
        BadInput,
        "holds no record of drivecare",
        f"Whoever owns it makes one: {_SET_UP}.",
    ),
    _Meaning(
        (errors.InsufficientPrivilege,),
        Unavailable,
        "you may not do that there",
        f"The administrator grants it; {_SET_UP} prints how.",
    ),
    _Meaning(
        (psycopg.IntegrityError, errors.RaiseException),
        Unavailable,
        "the record does not take it",
        "Nothing was filed. See drivecare job show.",
    ),
    _Meaning(
        (psycopg.OperationalError,),
        RecordAway,
        "the record's server does not let this bench in",
        "Check its name, and the password in the file that PGPASSFILE names (mode 0600) or in the service file.",
        words=("password", "authentication failed", "pg_hba.conf"),
    ),
    _Meaning(
        (psycopg.OperationalError,),
        RecordAway,
        "the record's server does not prove who it is",
        "Nothing was told to it. Put the certificate of the authority that signed the server's into "
        "~/.postgresql/root.crt; if it is there and was good yesterday, ask the administrator before you go on.",
        words=("certificate", "SSL"),
    ),
    _Meaning(
        (psycopg.OperationalError, psycopg.InterfaceError),
        RecordAway,
        "the record's server is away",
        "Check the network and the server.",
    ),
)


@dataclass(kw_only=True)
class Server:
    """The server at `address`. Every transaction is all or nothing; one that a cut connection left open may be either,
    and raises RecordAway."""

    address: ServerAddress
    bare: bool = False  # to be set up: whether there is a record, and of which age, is not asked
    _failure: tuple[float, psycopg.OperationalError] | None = field(default=None, init=False, repr=False)
    _connection: psycopg.Connection[tuple[Any, ...]] | None = field(default=None, init=False, repr=False)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Do what is done inside at once. One inside another is a part of it."""
        with self._errors_as_ours(), _patience(self._connect()), self._connect().transaction():
            yield

    def rows(self, query: LiteralString | sql.Composed, *values: object) -> list[tuple[Any, ...]]:
        """Ask, and fetch every row of the answer."""
        with self._errors_as_ours():
            connection = self._connect()
            with _patience(connection):
                return connection.execute(query, values or None).fetchall()

    def run(self, query: LiteralString | sql.Composed, *values: object) -> None:
        """Execute a statement that answers nothing."""
        with self._errors_as_ours():
            connection = self._connect()
            with _patience(connection):
                connection.execute(query, values or None)

    def run_script(self, script: str, **names: str) -> None:
        """Execute the statements of a file that ships with us, the `{names}` in it quoted."""
        quoted = {key: sql.Identifier(name) for key, name in names.items()}
        self.run(sql.SQL(script).format(**quoted))

    def run_for_each(self, query: LiteralString, rows: Sequence[tuple[object, ...]]) -> None:
        """Execute a statement once for each row of values."""
        with self._errors_as_ours(), _patience(self._connect()), self._connect().cursor() as cursor:
            cursor.executemany(query, rows)

    def _connect(self) -> psycopg.Connection[tuple[Any, ...]]:
        if self._connection is None or self._connection.closed:
            mode = choose_sslmode(_resolve(self.address), os.environ)
            options = _OPTIONS if mode is None else {**_OPTIONS, "sslmode": mode}
            if self._failure is not None and time.monotonic() < self._failure[0] + _RETRY_AFTER:
                raise self._failure[1]
            try:
                connection = psycopg.connect(self.address.uri, autocommit=True, prepare_threshold=None, **options)
            except psycopg.OperationalError as error:
                self._failure = (time.monotonic(), error)
                raise
            weakref.finalize(self, connection.close)
            if not self.bare:
                self._check_age(connection)
            self._connection = connection
        return self._connection

    def _check_age(self, connection: psycopg.Connection[tuple[Any, ...]]) -> None:
        ((number,),) = connection.execute("SELECT max(number) FROM drivecare.migration").fetchall()
        if number > SCHEMA_NUMBER:
            raise newer_record(self.address)
        if number < SCHEMA_NUMBER:
            hint = f"Whoever owns the record brings it up to date: {_SET_UP}."
            raise BadInput("was set up by an older drivecare", location=str(self.address), hint=hint)

    @contextmanager
    def _errors_as_ours(self) -> Iterator[None]:
        try:
            yield
        except psycopg.Error as error:
            reason = str(error).partition("\n")[0]
            meaning = next(
                (
                    row
                    for row in _MEANINGS
                    if isinstance(error, row.kinds) and any(word in reason for word in row.words)
                ),
                None,
            )
            if meaning is None:
                raise
            raise meaning.error(
                f"{meaning.problem} ({reason})", location=str(self.address), hint=meaning.hint
            ) from error


def newer_record(address: ServerAddress) -> BadInput:
    """The error of a record that only a newer drivecare understands."""
    hint = "Update drivecare on this bench first."
    return BadInput("was set up by a newer drivecare", location=str(address), hint=hint)


def _resolve(address: ServerAddress) -> dict[str, str]:
    """Ask libpq where an address leads, service file and environment included. Nothing is sent."""
    try:
        attempt = pq.PGconn.connect_start(address.uri.encode())
    except psycopg.OperationalError:
        return {}
    options = {option.keyword.decode(): option.val.decode() for option in attempt.info if option.val is not None}
    attempt.finish()
    return options


@contextmanager
def _patience(connection: psycopg.Connection[tuple[Any, ...]]) -> Iterator[None]:
    """Cut the connection if this takes longer than anything of ours can."""
    timer = threading.Timer(_PATIENCE, _cut, (connection,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _cut(connection: psycopg.Connection[tuple[Any, ...]]) -> None:
    with suppress(OSError, psycopg.Error), socket.socket(fileno=os.dup(connection.fileno())) as line:
        line.shutdown(socket.SHUT_RDWR)
