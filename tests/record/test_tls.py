"""A server on another machine proves who it is before it is told anything: a real one, with an authority of our own."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.errors import RecordAway
from drivecare.record.address import parse_address
from drivecare.record.location import open_record
from tests.cli.test_job import drivecare
from tests.postgres import Cluster

pytestmark = pytest.mark.server
PASSWORD = "quietlamp"
HERE = f"127.19.{os.getpid() >> 8 & 255}.{os.getpid() & 255}"  # of this run alone; a loopback by number, not by name
NAME = "server.example"  # another machine by its name, so that TLS is asked for
ADDRESS = f"postgresql://bench1@{NAME}/template_shop?hostaddr={HERE}"
HBA = """\
local all all trust
hostssl all bench1 127.0.0.0/8 scram-sha-256
"""


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def make_authority(folder: Path, name: str) -> None:
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    openssl(folder, "req", "-x509", *curve, "-keyout", f"{name}.key", "-out", f"{name}.crt", "-subj", f"/CN={name}")


def make_certificate(folder: Path, authority: str, *, host: str) -> None:
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    signed = ("-CA", f"{authority}.crt", "-CAkey", f"{authority}.key", "-addext", f"subjectAltName=DNS:{host}")
    openssl(
        folder, "req", "-x509", *curve, *signed, "-keyout", "server.key", "-out", "server.crt", "-subj", f"/CN={host}"
    )


@pytest.fixture(scope="module")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("authorities")
    make_authority(folder, "ours")
    make_authority(folder, "another")
    make_certificate(folder, "ours", host=NAME)
    return folder


@pytest.fixture(scope="module")
def secured(authorities: Path, server_programs: Path) -> Iterator[Cluster]:
    """A server that takes benches over TCP with TLS and a password alone."""
    cluster = Cluster(server_programs)
    try:
        cluster.create()
        cluster.run(f"ALTER ROLE bench1 PASSWORD '{PASSWORD}'")
        cluster.stop()
        owner = cluster.data.stat()
        for name in ("server.key", "server.crt"):
            shutil.copy(authorities / name, cluster.data)
            os.chown(cluster.data / name, owner.st_uid, owner.st_gid)
            (cluster.data / name).chmod(0o600)
        (cluster.data / "pg_hba.conf").write_text(HBA)
        cluster.settings = {"listen_addresses": HERE, "ssl": "on"}
        cluster.start()
        yield cluster
    finally:
        cluster.remove()


@pytest.fixture
def bench(secured: Cluster, authorities: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench with the authority and the password, as docs/several-benches.md has it; its home."""
    (tmp_path / "pgpass").write_text(f"{NAME}:5432:template_shop:bench1:{PASSWORD}\n")
    (tmp_path / "pgpass").chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(tmp_path / "pgpass"))
    monkeypatch.setenv("PGSSLROOTCERT", str(authorities / "ours.crt"))
    secured.empty_record()
    return tmp_path


def refusal_of(address: str) -> str:
    with pytest.raises(RecordAway) as refusal:
        open_record(parse_address(address)).ids()
    assert PASSWORD not in refusal.value.message()
    return refusal.value.message()


def test_a_bench_files_over_tls_with_the_password_of_its_file(bench: Path, secured: Cluster) -> None:
    new = drivecare("job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs", jobs=ADDRESS)
    assert (new.returncode, new.stderr) == (0, "")
    record = open_record(parse_address(ADDRESS))
    assert record.ids() == ("1042",)
    query = "SELECT ssl FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) WHERE usename = 'bench1'"
    assert set(secured.run(query)) == {(True,)}


@pytest.mark.parametrize("mode", ["", "sslmode=prefer\n", "sslmode=allow\n"])
def test_a_service_file_has_all_of_it(
    bench: Path, monkeypatch: pytest.MonkeyPatch, authorities: Path, mode: str
) -> None:
    """And a half-hearted mode in it does not count."""
    monkeypatch.delenv("PGPASSFILE")
    monkeypatch.delenv("PGSSLROOTCERT")
    service = bench / "services"
    lines = f"host={NAME}\nhostaddr={HERE}\ndbname=template_shop\nuser=bench1\npassword={PASSWORD}\n{mode}"
    monkeypatch.setenv("PGSERVICEFILE", str(service))
    for authority, lets_in in (("ours", True), ("another", False)):
        service.write_text(f"[shop]\n{lines}sslrootcert={authorities / authority}.crt\n")
        listed = drivecare("job", "list", jobs="postgresql://?service=shop")
        assert (listed.returncode == 0) is lets_in
        assert PASSWORD not in listed.stderr
    assert "does not prove who it is" in listed.stderr


@pytest.mark.parametrize("mode", ["prefer", "allow"])
def test_encryption_by_luck_is_refused(bench: Path, monkeypatch: pytest.MonkeyPatch, mode: str) -> None:
    assert drivecare("job", "list", jobs=f"{ADDRESS}&sslmode={mode}").returncode == 2
    monkeypatch.setenv("PGSSLMODE", mode)
    assert drivecare("job", "list", jobs=ADDRESS).returncode == 2


def test_a_server_of_another_authority_is_not_believed(
    bench: Path, authorities: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGSSLROOTCERT", str(authorities / "another.crt"))
    assert "the record's server does not prove who it is" in refusal_of(ADDRESS)


def test_nor_is_one_without_an_authority_to_know_it_by(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PGSSLROOTCERT", str(bench / "none.crt"))
    assert "does not prove who it is" in refusal_of(ADDRESS)


def test_nor_one_of_another_name(bench: Path) -> None:
    assert "does not prove who it is" in refusal_of(ADDRESS.replace(NAME, "other.example"))


def test_what_the_administrator_set_explicitly_counts(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PGSSLROOTCERT", str(bench / "none.crt"))
    assert open_record(parse_address(f"{ADDRESS}&sslmode=require")).ids() == ()


@pytest.mark.parametrize("change", ["another password", "readable by all", "none"])
def test_a_bench_without_its_password_is_told_so(bench: Path, change: str) -> None:
    passwords = bench / "pgpass"
    if change == "another password":
        passwords.write_text(passwords.read_text().replace(PASSWORD, "loudlamp"))
    elif change == "readable by all":
        passwords.chmod(0o644)
    else:
        passwords.unlink()
    assert "the record's server does not let this bench in" in refusal_of(ADDRESS)


def test_a_server_that_cannot_encrypt_hears_no_name(bench: Path) -> None:
    """Whoever answers in its place learns neither the bench's name nor the database's."""
    heard: list[bytes] = []

    def answer(listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with client:
                client.settimeout(2)
                data = client.recv(1024)
                heard.append(data)
                if data:
                    client.sendall(b"N")  # no TLS here
                    heard.append(client.recv(1024))

    with socket.create_server((HERE, 0)) as listener:
        threading.Thread(target=answer, args=(listener,), daemon=True).start()
        refusal = refusal_of(f"{ADDRESS}&port={listener.getsockname()[1]}")
        listener.shutdown(socket.SHUT_RDWR)
    assert "does not prove who it is" in refusal
    assert b"".join(heard) == bytes.fromhex("0000000804d2162f")  # SSLRequest: PostgreSQL's manual, "Message Formats"
