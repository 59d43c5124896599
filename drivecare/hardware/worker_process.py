"""The program's end of a worker process: requests out, answers back, in order."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
from collections import deque
from concurrent.futures import Future

from drivecare.hardware import worker

# How long a worker may take to end; one that is stuck in the kernel is left behind.
_END_PATIENCE_SECONDS = 5.0


class WorkerEnded(Exception):
    """The worker has ended, and with it every request that was under way."""


class WorkerProcess:
    """A process that touches one medium. Any thread may send."""

    def __init__(self, memory: int, direct: int, buffered: int, *, restore_writable: bool) -> None:
        self._channel, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            arguments = (theirs.fileno(), memory, direct, buffered, int(restore_writable))
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-S", worker.__file__, *map(str, arguments)],
                pass_fds={theirs.fileno(), memory, direct, buffered},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,  # one left behind must not hold a pipe open that someone reads to its end
                start_new_session=True,  # Ctrl-C is for the program, which then stops in an orderly way
            )
        self.pid = self._process.pid
        self._order, self._ended = threading.Lock(), False
        self._waiting: deque[Future[int]] = deque()
        threading.Thread(target=self._receive, name="drivecare-answers", daemon=True).start()

    def send(self, operation: bytes, offset: int, position: int, length: int) -> Future[int]:
        """Send one request; the future holds its answer, see `worker`, or raises WorkerEnded."""
        answer: Future[int] = Future()
        with self._order:  # they wait in the order in which they are sent
            if self._ended:
                answer.set_exception(WorkerEnded())
                return answer
            self._waiting.append(answer)
            with contextlib.suppress(OSError):  # the thread that receives finds that out, too
                self._channel.send(worker.REQUEST.pack(operation, offset, position, length))
        return answer

    def _receive(self) -> None:
        with contextlib.suppress(OSError):
            while packet := self._channel.recv(worker.ANSWER.size):
                self._waiting.popleft().set_result(worker.ANSWER.unpack(packet)[0])
        with self._order:
            self._ended = True
            for answer in self._waiting:
                answer.set_exception(WorkerEnded())

    def close(self) -> None:
        """Let the worker end; it restores a source's read-only flag. One that is stuck is left behind."""
        with contextlib.suppress(OSError):
            self._channel.shutdown(socket.SHUT_RDWR)  # wakes the thread that receives
        self._channel.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=_END_PATIENCE_SECONDS)
