"""Run README's two lines on a Debian 12 that has only ca-certificates and python3-venv: bare.py FOLDER. Needs root.

Then the one file for a bench without internet is made there, unpacked, and runs the demo with the network cut. They
run as root and as a user made inside, each in a clone of HEAD. The settings, certificates and local package folders
that pip and apt use on this machine are taken over as they are. The system lives in a mount and a process namespace
of its own: however this ends, the kernel kills what still runs inside and undoes every mount.

Exit 1 where a line fails, and where mounting is forbidden; the reason is printed.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RELEASE = "bookworm"
MIRROR = "http://deb.debian.org/debian"  # where apt names none for the release
PACKAGES = "ca-certificates,python3-venv"
PERSON = "technician"
SHOWN_LINES = {True: 12, False: 400}  # of the output of a line that passed, and of one that failed

# Whoever starts this may be killed: it ends with its parent, and with it all that runs inside.
APART = ("setpriv", "--pdeathsig", "KILL", "unshare", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc")

NO_NETWORK = ("unshare", "--net")
# The one file of docs/offline.md: made with the network, used without it by the system's own Python.
MAKE_FILE = ".venv/bin/python docs/offline/make_file.py ~/drivecare.tar.gz"
USE_FILE = (
    "test $(tail -n +3 /proc/net/dev | cut -d: -f1) = lo && mkdir ~/bench && tar -xzf ~/drivecare.tar.gz -C ~/bench "
    "&& ~/bench/drivecare/bin/drivecare demo ~/bench/demo"
)

SYSTEM_SETTINGS = (
    *("/etc/apt", "/usr/share/keyrings", "/etc/resolv.conf", "/etc/hosts"),
    *("/etc/ssl/certs", "/usr/local/share/ca-certificates"),
    *("/etc/pip.conf", "/etc/xdg/pip"),  # pip's documentation, "Configuration": global files
)
# The same page: the files of a user, below the home folder.
USER_SETTINGS = (".pip/pip.conf", ".config/pip/pip.conf")
# Settings of pip that name a file or a folder it reads.
NAMING_PATHS = ("cert", "client-cert", "config-file", "constraint", "extra-index-url", "find-links", "index-url")
CERTIFICATES = ("SSL_CERT_FILE", "SSL_CERT_DIR", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE")
PROXIES = ("http_proxy", "https_proxy", "all_proxy", "no_proxy")


def passed_on(environment: Mapping[str, str]) -> dict[str, str]:
    """The variables that tell pip how to reach packages. PIP_CONSTRAINT stays outside, as does all of drivecare's."""
    names = {*CERTIFICATES, *PROXIES, *(name.upper() for name in PROXIES)}
    return {
        name: value
        for name, value in environment.items()
        if name in names or (name.startswith("PIP_") and name != "PIP_CONSTRAINT")
    }


def settings_of(file: Path) -> Iterator[tuple[str, str]]:
    """Name and value of each setting in a pip configuration file; indented lines continue the value before them."""
    for match in re.finditer(r"^([\w-]+)[ \t]*[=:](.*(?:\n[ \t]+.*)*)", file.read_text("utf-8"), re.MULTILINE):
        yield match[1].lower().replace("_", "-"), match[2]


def variable_settings(environment: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Name and value of each setting of pip that an environment variable makes; a bundle of certificates is one."""
    for name, value in passed_on(environment).items():
        yield "cert" if name in CERTIFICATES else name.removeprefix("PIP_").lower().replace("_", "-"), value


def local_paths(settings: Iterable[tuple[str, str]]) -> set[Path]:
    """The files and folders of this machine that pip's settings name; of a local index, the folder around it.

    The pages of an index (PEP 503) link to files that lie beside it.
    """
    paths = set()
    for name, value in settings:
        for word in value.split() if name in NAMING_PATHS else ():
            path = Path(word.removeprefix("file://"))
            if path.is_absolute() and path.exists():
                paths.add(path.parent if name.endswith("index-url") and len(path.parts) > 2 else path)
    return paths


def taken_over(environment: Mapping[str, str], home: Path) -> list[Path]:
    """Every path of this machine that must be the same inside, outermost first; none lies below another."""
    files = [Path("/etc/pip.conf"), *Path("/etc/xdg/pip").glob("*.conf"), *(home / name for name in USER_SETTINGS)]
    files.append(Path(environment.get("PIP_CONFIG_FILE", "/etc/pip.conf")))
    settings = [setting for file in files if file.is_file() for setting in settings_of(file)]
    paths = {Path(path) for path in SYSTEM_SETTINGS if Path(path).exists()}
    paths |= local_paths([*settings, *variable_settings(environment)]) - {Path("/")}
    paths |= {path.resolve() for path in paths}
    return sorted(path for path in paths if paths.isdisjoint(path.parents))


def readme_line(name: str) -> str:
    """The one-line command below the marker `<!-- NAME -->` of README.md."""
    match = re.search(rf"<!-- {name} -->\n```sh\n(.+)\n```", (ROOT / "README.md").read_text("utf-8"))
    if match is None:
        sys.exit(f"bare: README.md has no line below <!-- {name} -->")
    return match[1]


def mirror() -> str:
    """Where this machine's apt gets the release from."""
    targets = output("apt-get", "indextargets", "--format", "$(CODENAME) $(REPO_URI)", "Created-By: Packages")
    return next((line.split()[1] for line in targets.splitlines() if line.split()[:1] == [RELEASE]), MIRROR)


def output(*command: str) -> str:
    """Run a system utility; returns what it printed."""
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def run(*command: object) -> None:
    """Run a system utility; ends with its message where it fails."""
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    if done.returncode != 0:
        sys.exit(f"bare: {' '.join(map(str, command))} failed:\n{done.stdout[-3000:]}")


def inside(system: Path, path: Path) -> Path:
    """Where a path of the machine lies in the system."""
    return system / path.relative_to("/")


def mount_over(system: Path, path: Path) -> None:
    """Show a file or folder of this machine at the same place of the system, read-only."""
    place = inside(system, path)
    if path.is_dir():
        place.mkdir(parents=True, exist_ok=True)
    else:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.unlink(missing_ok=True)
        place.touch()
    run("mount", "--bind", path, place)
    run("mount", "-o", "remount,bind,ro", place)


def make(system: Path, home: Path) -> None:
    """The system, its user, and the mounts and settings that a real machine has."""
    proxy = output("apt-config", "shell", "http_proxy", "Acquire::http::Proxy")
    if match := re.match(r"http_proxy='(.+)'", proxy):
        os.environ.setdefault("http_proxy", match[1])
    run("debootstrap", "--variant=minbase", f"--include={PACKAGES}", RELEASE, system, mirror())
    run("mount", "--bind", system, system)  # so that the root is a mount, as it is on a real machine
    run("mount", "-t", "proc", "proc", system / "proc")
    run("mount", "--rbind", "/sys", system / "sys")
    run("mount", "--rbind", "/dev", system / "dev")
    run("mount", "-t", "tmpfs", "tmpfs", system / "run")
    run("chroot", system, "useradd", "--create-home", PERSON)
    for path in taken_over(os.environ, home):
        mount_over(system, path)
    for name in USER_SETTINGS:
        for person_home in ("root", f"home/{PERSON}"):
            if (home / name).is_file():
                (system / person_home / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(home / name, system / person_home / name)


def clone(system: Path, folder: Path, person: str) -> None:
    """A clone of HEAD in a person's home folder, whoever owns the checkout."""
    (folder / "gitconfig").write_text("[safe]\n\tdirectory = *\n")
    os.environ["GIT_CONFIG_GLOBAL"] = str(folder / "gitconfig")
    home = output("chroot", str(system), "sh", "-c", f"echo ~{person}").strip()
    run("git", "clone", "--quiet", ROOT, inside(system, Path(home)) / "drivecare")
    run("chroot", system, "chown", "--recursive", f"{person}:", home)


def run_line(system: Path, log: Path, person: str, line: str, *, cut_off: tuple[str, ...] = ()) -> bool:
    """Run a line as a person, apart from the network with `cut_off`; its output goes to the log, its end is shown."""
    variables = {"HOME": "/root" if person == "root" else f"/home/{person}", "USER": person, "LOGNAME": person}
    variables |= {"SHELL": "/bin/bash", "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"}
    variables |= passed_on(os.environ)
    environment = [f"{name}={value}" for name, value in variables.items()]
    command = [*cut_off, "chroot", f"--userspec={person}", str(system), "env", "-i", *environment, "bash", "-ec"]
    print(f"\nas {person}: {line}", flush=True)
    began = time.monotonic()
    with log.open("wb") as stream:
        passed = not subprocess.run(
            [*command, f"cd ~/drivecare && {line}"], stdin=subprocess.DEVNULL, stdout=stream, stderr=stream
        ).returncode
    print(*log.read_text("utf-8", "replace").splitlines()[-SHOWN_LINES[passed] :], sep="\n")
    print(f"{'passed' if passed else 'FAILED'} after {time.monotonic() - began:.0f} s", flush=True)
    return passed


def forbidden(folder: Path) -> str | None:
    """Why nothing can be mounted on this machine; None where it can be."""
    done = subprocess.run([*APART, "mount", "-t", "tmpfs", "tmpfs", folder], stderr=subprocess.PIPE, text=True)
    return done.stderr.strip() or f"exit {done.returncode}" if done.returncode else None


def main(folder: Path, *, apart: bool) -> int:
    """Step into namespaces of its own, then make the system and run the lines in it."""
    if not apart:
        folder.mkdir(parents=True, exist_ok=True)
        if reason := forbidden(folder):
            sys.exit(f"bare: nothing can be mounted here ({reason}); a bare machine takes root and the right to mount")
        return subprocess.run([*APART, sys.executable, __file__, folder, "--apart"]).returncode
    system = folder / "system"
    make(system, Path.home())
    for person in ("root", PERSON):
        clone(system, folder, person)
        for name in ("demo", "tests"):
            if not run_line(system, folder / f"{person}-{name}.log", person, readme_line(name)):
                return 1
    made = run_line(system, folder / "make-file.log", PERSON, MAKE_FILE)
    return int(not made or not run_line(system, folder / "use-file.log", PERSON, USE_FILE, cut_off=NO_NETWORK))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve(), apart=sys.argv[2:] == ["--apart"]))
