"""Make the tables of a shared record, or bring them up to date: what `migrations` holds, each file once, in order."""

from __future__ import annotations

from importlib.resources import files

from psycopg import sql

from drivecare.errors import Unavailable
from drivecare.record.address import ServerAddress
from drivecare.record.line_origin import line_origin
from drivecare.record.model import RecordSetup
from drivecare.record.server import SCHEMA_NUMBER, Server, newer_record

_LOGINS = ("bench1", "bench2", "bench3")


def setup_record(address: ServerAddress) -> RecordSetup:
    """Set up the record in the database at this address; whoever does it owns it.

    No result that is there is changed; lines of lists that another drivecare worked out go, since they do not count any
    more. Raises Unavailable, with what the administrator must run first, where the person lacks the right; BadInput
    where a newer drivecare set it up.
    """
    server = Server(address=address, bare=True)
    ((database, owner),) = server.rows("SELECT current_database(), current_user")
    role = f"{database}_bench"
    with server.transaction():
        server.rows("SELECT pg_advisory_xact_lock(hashtextextended('drivecare setup', 0))")
        former = _applied_so_far(server)
        if former > SCHEMA_NUMBER:
            raise newer_record(server.address)
        try:
            applied = tuple(_migrate(server, former, role))
        except Unavailable as error:
            first = _statements(
                ("CREATE ROLE {role} NOLOGIN", "GRANT CREATE ON DATABASE {database} TO {owner}"),
                role=role,
                database=database,
                owner=owner,
            )
            hint = f"As the administrator: {' '.join(first)} Then do the same again."
            raise Unavailable(error.problem, location=error.location, hint=hint) from error
        server.run("DELETE FROM drivecare.summary WHERE worked_out_by <> %s", line_origin())
    logins = [
        statement
        for login in _LOGINS
        for statement in _statements(("CREATE ROLE {login} LOGIN IN ROLE {role}",), login=login, role=role)
    ]
    return RecordSetup(record=str(address), owner=owner, bench_role=role, applied=applied, administrator=tuple(logins))


def _applied_so_far(server: Server) -> int:
    """The number of the newest migration that the record has; 0 where there is none."""
    if not server.rows("SELECT FROM pg_namespace WHERE nspname = 'drivecare'"):
        return 0
    ((number,),) = server.rows("SELECT max(number) FROM drivecare.migration")
    return int(number)


def _migrate(server: Server, former: int, role: str) -> list[int]:
    if not server.rows("SELECT FROM pg_roles WHERE rolname = %s", role):
        server.run(sql.SQL("CREATE ROLE {role} NOLOGIN").format(role=sql.Identifier(role)))
    numbers = list(range(former + 1, SCHEMA_NUMBER + 1))
    for number in numbers:
        text = (files("drivecare.record") / "migrations" / f"{number}.sql").read_text("utf-8")
        server.run_script(text, bench=role)
        server.run("INSERT INTO drivecare.migration VALUES (%s)", number)
    return numbers


def _statements(templates: tuple[str, ...], **names: str) -> list[str]:
    """Spell statements for a person to paste; a name is quoted where it must be."""
    quoted = {key: sql.Identifier(name).as_string() for key, name in names.items()}
    return [f"{template.format(**quoted)};" for template in templates]
