"""The address of a shared record: a PostgreSQL URI, and what it may not say.

A password never stands in it, since commands are printed, remembered and seen in lists of processes. On another machine
a server must prove who it is, unless the person asks for something else in so many words.
"""

from __future__ import annotations

import hashlib
import ipaddress
import re
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qsl, urlsplit

from drivecare.errors import BadAddress

_SCHEMES = ("postgresql://", "postgres://")
_SECRETS = ("password", "sslpassword", "oauth_client_secret")
_HALF_HEARTED = ("prefer", "allow")  # encrypt if the other side happens to, and believe whoever answers
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^:\[\]]*)(:[0-9]*)?")
_SAFE_MODES = "Say sslmode=verify-full, or what your administrator decided on: require, verify-ca, disable."


@dataclass(frozen=True)
class ServerAddress:
    """A PostgreSQL URI without secrets; `str` of it can be printed and pasted."""

    uri: str

    def __str__(self) -> str:
        return self.uri

    @property
    def folder_name(self) -> str:
        """A name of its own for the folder in which this machine keeps what belongs to that record."""
        words = re.sub(r"[^A-Za-z0-9]+", "-", self.uri.partition("://")[2]).strip("-")[:40]
        return f"{words or 'server'}-{hashlib.sha256(self.uri.encode()).hexdigest()[:8]}"


def is_server_address(text: str) -> bool:
    """Whether a place of jobs is a server's address and not a folder."""
    return text.lower().startswith(_SCHEMES)


def parse_address(text: str) -> ServerAddress:
    """Check a server's address. Raises BadAddress, which does not repeat it."""
    rest = text.partition("://")[2]
    try:
        parts = urlsplit(f"postgresql://{rest}")
        options = parse_qsl(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query))
    except ValueError:
        raise BadAddress("is not a PostgreSQL URI", hint="Example: postgresql://server.example/shop") from None
    user, _, hosts = parts.netloc.rpartition("@")
    if ":" in user or any(key.strip().lower() in _SECRETS for key, _ in options):
        hint = "Keep it in the file that PGPASSFILE names or in a service file, or use a socket; and change it."
        raise BadAddress("has a password in it, which others can see", hint=hint)
    if not all(_HOST.fullmatch(host) for host in hosts.split(",")):
        raise BadAddress("is not a PostgreSQL URI", hint="Example: postgresql://server.example:5432/shop")
    refuse_half_hearted(dict(options).get("sslmode"))
    return ServerAddress(f"postgresql://{rest}")


def refuse_half_hearted(mode: str | None) -> None:
    """Refuse an sslmode that protects by luck alone."""
    if mode in _HALF_HEARTED:
        raise BadAddress(f"has sslmode={mode}, which takes whatever it is offered", hint=_SAFE_MODES)


def choose_sslmode(options: Mapping[str, str], environ: Mapping[str, str]) -> str | None:
    """Choose the sslmode for a server that these options, as libpq resolved them, lead to; None leaves it as it is.

    Raises BadAddress where $PGSSLMODE is one that protects by luck.
    """
    if _is_local(options.get("host")) and _is_local(options.get("hostaddr")):
        return None
    refuse_half_hearted(environ.get("PGSSLMODE"))
    # Nobody chose "prefer": it is what libpq does if nothing is said.
    return "verify-full" if options.get("sslmode") in (None, *_HALF_HEARTED) else None


def _is_local(hosts: str | None) -> bool:
    return all(
        not host or host[0] in "/@" or host == "localhost" or _is_loopback(host) for host in (hosts or "").split(",")
    )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
