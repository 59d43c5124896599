"""A way to a PostgreSQL server that a test can cut: a socket in a folder of its own, whose bytes are passed on."""

from __future__ import annotations

import contextlib
import select
import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

from drivecare.record.address import ServerAddress, parse_address

_SOCKET = ".s.PGSQL.5432"


class Proxy:
    """Passes bytes on between clients and the server whose socket lies in `folder`."""

    def __init__(self, folder: Path) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="drivecare-proxy-", dir="/tmp"))
        self._server = folder / _SOCKET
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._lock = threading.Lock()
        self._unanswered: bytes | None = None
        self._listener: socket.socket | None = None
        self.mend()

    def address(self, direct: ServerAddress) -> ServerAddress:
        """The address that leads to the same record through here."""
        return parse_address(direct.uri.replace(str(self._server.parent), str(self.folder)))

    def mend(self) -> None:
        """Let connections through (again)."""
        self._unanswered = None
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(str(self.folder / _SOCKET))
        listener.listen()
        self._listener = listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def cut(self) -> None:
        """End every connection and take no other."""
        with self._lock:
            if self._listener is not None:
                self._listener.shutdown(socket.SHUT_RDWR)
                self._listener.close()
                self._listener = None
                (self.folder / _SOCKET).unlink()
            for pair in self._pairs:
                for end in pair:
                    with contextlib.suppress(OSError):
                        end.shutdown(socket.SHUT_RDWR)
            self._pairs.clear()

    def lose_answers(self, to: bytes) -> None:
        """Pass on what clients ask; cut the way instead of answering what has these bytes in it."""
        self._unanswered = to

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            server = socket.socket(socket.AF_UNIX)
            try:
                server.connect(str(self._server))
            except OSError:
                client.close()
                server.close()
                continue
            with self._lock:
                self._pairs.append((client, server))
            threading.Thread(target=self._pass_on, args=(client, server), daemon=True).start()

    def _pass_on(self, client: socket.socket, server: socket.socket) -> None:
        lost = False
        with contextlib.suppress(OSError), client, server:
            while True:
                for source in select.select((client, server), (), ())[0]:
                    data = source.recv(1 << 16)
                    if not data or (source is server and lost):
                        return
                    lost = lost or (source is client and self._unanswered is not None and self._unanswered in data)
                    (client if source is server else server).sendall(data)


@contextlib.contextmanager
def way_to(folder: Path) -> Iterator[Proxy]:
    """A proxy for as long as it is needed."""
    proxy = Proxy(folder)
    try:
        yield proxy
    finally:
        proxy.cut()
        proxy.folder.rmdir()
