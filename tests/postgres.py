"""A PostgreSQL server of the tests' own: Debian's programs, an unprivileged user, a socket in a folder of its own."""

from __future__ import annotations

import itertools
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

from drivecare.record.address import ServerAddress, parse_address
from drivecare.record.shared_setup import setup_record

BENCHES = ("bench1", "bench2", "bench3")
_NOBODY = "nobody"  # a server refuses to run as root


def find_programs() -> Path | None:
    """The folder of the newest server that Debian installed; None if there is none."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return folders[-1].parent if folders else None


@dataclass
class Cluster:
    """A cluster in a folder of its own, with an owner (a superuser, `owner`) and three benches.

    `settings` come on top of the tests' own when it starts.
    """

    programs: Path
    settings: dict[str, str] = field(default_factory=dict)
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="drivecare-pg-", dir="/tmp")))
    _process: subprocess.Popen[bytes] | None = None
    _numbers: itertools.count[int] = field(default_factory=itertools.count)

    def create(self) -> None:
        """Make the cluster, start it, and set up the record that all databases of tests are made from."""
        if os.geteuid() == 0:
            account = pwd.getpwnam(_NOBODY)
            os.chown(self.folder, account.pw_uid, account.pw_gid)
        words = ("--username=owner", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync", "--no-instructions")
        subprocess.run(self._as_nobody("initdb", *words, "-D", str(self.data)), check=True, stdout=subprocess.DEVNULL)
        self.start()
        self.run("CREATE DATABASE template_shop")
        setup = setup_record(self.address("template_shop", "owner"))
        for bench in BENCHES:
            self.run(f"CREATE ROLE {bench} LOGIN IN ROLE {setup.bench_role}")

    @property
    def data(self) -> Path:
        """The folder of the cluster's files."""
        return self.folder / "data"

    def address(self, database: str, user: str) -> ServerAddress:
        """The address of a database, as this user."""
        return parse_address(f"postgresql:///{database}?host={self.folder}&user={user}")

    def empty_record(self, user: str = "bench1") -> ServerAddress:
        """The one record that most tests use, emptied, and rid of whoever is connected: a database takes seconds."""
        self.run(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() "
            "AND pid <> pg_backend_pid(); TRUNCATE drivecare.job CASCADE",
            "template_shop",
        )
        return self.address("template_shop", user)

    def new_record(self, user: str = "bench1") -> ServerAddress:
        """Make a database of its own with an empty record."""
        self.run("TRUNCATE drivecare.job CASCADE", "template_shop")
        name = f"shop{next(self._numbers)}"
        self.run(f"CREATE DATABASE {name} TEMPLATE template_shop")
        return self.address(name, user)

    def run(self, statement: str, database: str = "postgres") -> list[tuple[object, ...]]:
        """Execute a statement as the owner."""
        with psycopg.connect(self.address(database, "owner").uri, autocommit=True) as connection:
            answer = connection.execute(statement.encode())
            return answer.fetchall() if answer.description else []

    def start(self) -> None:
        """Start the server and wait until it answers."""
        # fsync matters to a power cut; a killed server's writes are the kernel's already.
        settings = {"listen_addresses": "", "fsync": "off", "max_connections": "60"} | self.settings
        words = ["-k", str(self.folder)]
        for name, value in settings.items():
            words += ["-c", f"{name}={value}"]
        deadline = time.monotonic() + 60
        while True:
            # One that starts while processes of a killed one are still ending gives up at once.
            if self._process is None or self._process.poll() is not None:
                with (self.folder / "log").open("ab") as log:
                    line = self._as_nobody("postgres", "-D", str(self.data), *words)
                    self._process = subprocess.Popen(line, stderr=log)
            try:
                self.run("SELECT 1")
                return
            except psycopg.OperationalError:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.05)

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Stop the server: SIGINT ends its connections, SIGKILL gives it no time for anything."""
        assert self._process is not None
        self._process.send_signal(how)
        self._process.wait(60)

    def remove(self) -> None:
        """Stop it and remove all of it."""
        self.stop(signal.SIGQUIT)
        shutil.rmtree(self.folder)

    def _as_nobody(self, program: str, *words: str) -> list[str]:
        line = [str(self.programs / program), *words]
        if os.geteuid() != 0:
            return line
        group = str(pwd.getpwnam(_NOBODY).pw_gid)
        return ["setpriv", f"--reuid={_NOBODY}", f"--regid={group}", "--clear-groups", "--pdeathsig=KILL", *line]
