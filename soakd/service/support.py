"""One archive with what a maintainer needs, and nothing that names the person, the place or the secrets.

Every text that goes in is scrubbed: addresses, tokens, the host's name, user names and home folders become
placeholders, in keys as well as in values. A part that cannot be gathered says why in its place.
"""

from __future__ import annotations

import getpass
import gzip
import io
import json
import os
import platform
import pwd
import re
import socket
import sqlite3
import tarfile
import tomllib
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from soakd.clock import utc_text
from soakd.errors import UsageError
from soakd.rules.telling import pieces_of
from soakd.sensors.snapshot import take_snapshot
from soakd.service.bench import require_linux
from soakd.service.doctor import examine
from soakd.service.logs import SECRET_KEYS, hidden
from soakd.store.database import open_for_reading
from soakd.store.ledger import Ledger

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from soakd.clock import Clock
    from soakd.service.home import Home

MOST_VERDICTS = 5
MOST_LOG_LINES = 2000
_LIBRARIES = (
    *("apprise", "apscheduler", "cryptography", "llvmlite", "prometheus_client", "psutil", "pydantic", "rich"),
    "structlog",
)
_TABLES = ("run", "event", "tick", "worker", "verdict", "entry", "message")
_MAIL = re.compile(r"[\w.+-]+@[\w-]+(\.[\w-]+)+")
_HOMES = re.compile(r"(/home|/Users|/var/home)/[^/\s\"':,;]+")


@dataclass(slots=True)
class Scrubber:
    """Takes out what is private. Longer texts go first, so that no piece of one is left standing."""

    texts: dict[str, str] = field(default_factory=dict)
    """Found anywhere: text to placeholder."""
    names: dict[str, str] = field(default_factory=dict)
    """Found as a word of its own, in any case."""

    def text(self, text: str) -> str:
        for private in sorted(self.texts, key=len, reverse=True):
            text = text.replace(private, self.texts[private])
        text = _HOMES.sub("<home>", _MAIL.sub("<mail>", hidden(text)))
        for name in sorted(self.names, key=len, reverse=True):
            text = re.sub(
                rf"(?<![A-Za-z0-9]){re.escape(name)}(?![A-Za-z0-9])", self.names[name], text, flags=re.IGNORECASE
            )
        return text

    def value(self, value: Any) -> Any:
        if isinstance(value, dict):
            return {self.text(str(k)): "<removed>" if k in SECRET_KEYS else self.value(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [self.value(each) for each in value]
        return self.text(value) if isinstance(value, str) else value


def archive(home: Home, clock: Clock, *, configuration: Path, log: Path) -> bytes:
    """The archive's bytes: what there is of each part, scrubbed."""
    scrub = scrubber(home, configuration)
    parts: dict[str, Callable[[], object]] = {
        "versions.json": _versions,
        "doctor.json": lambda: _doctor(home, clock),
        "snapshot.json": lambda: take_snapshot().model_dump(mode="json"),
        "configuration.json": lambda: _configuration(configuration),
        "verdicts.json": lambda: _verdicts(home),
        "drill.json": lambda: _drills(home),
        "journal.json": lambda: _journal(home),
        "log.txt": lambda: _log_lines(log),
    }
    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=out, mtime=0) as packed, tarfile.open(
        fileobj=packed, mode="w", format=tarfile.PAX_FORMAT
    ) as tar:  # fmt: skip
        for name, gather in parts.items():
            body = _gathered(gather, scrub)
            entry = tarfile.TarInfo(f"soakd-support/{name}")  # owner and group stay 0 and nameless
            entry.size, entry.mtime, entry.mode = len(body), int(clock.wall()), 0o600
            tar.addfile(entry, io.BytesIO(body))
    return out.getvalue()


def write(path: Path, content: bytes) -> None:
    """For its owner alone, and never over a file that is there. Raises UsageError."""
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(content)
    except FileExistsError:
        raise UsageError(f"{path} is there already", hint="name another file with --out") from None
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror}") from error


def default_name(clock: Clock) -> str:
    return f"soakd-support-{re.sub('[-:]', '', utc_text(clock.wall())[:19])}Z.tar.gz"


def scrubber(home: Home, configuration: Path) -> Scrubber:
    """What is private on this machine and in this configuration."""
    host = socket.gethostname()
    scrub = Scrubber(texts={str(home.folder): "<state>", str(Path.home()): "<home>"})
    scrub.texts |= dict.fromkeys(_secrets(configuration), "<removed>")
    with suppress(OSError, UnicodeDecodeError):
        scrub.texts[(home.folder / "token").read_text(encoding="utf-8").strip()] = "<removed>"
    scrub.texts = {private: mark for private, mark in scrub.texts.items() if len(private) > 3}
    scrub.names = dict.fromkeys({host, host.partition(".")[0], platform.node()} - {"", "localhost"}, "<host>")
    scrub.names |= dict.fromkeys(_users() - {"", "root"}, "<user>")
    return scrub


def _users() -> set[str]:
    names = {os.environ.get(key, "") for key in ("USER", "LOGNAME", "SUDO_USER")}
    with suppress(KeyError, OSError):
        names.add(getpass.getuser())
    with suppress(KeyError):
        entry = pwd.getpwuid(os.getuid())
        names |= {entry.pw_name, entry.pw_gecos.partition(",")[0]}
    names |= {entry.pw_name for entry in pwd.getpwall() if 1000 <= entry.pw_uid < 60_000}
    return names


def _secrets(configuration: Path) -> set[str]:
    """Addresses of targets and options of plugins with all their pieces, in case a part stands somewhere else."""
    try:
        document = tomllib.loads(configuration.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return set()
    found: set[str] = set()
    for path, value in _leaves(document):
        if SECRET_KEYS & set(path):
            found |= {value, *pieces_of(value, shortest=6)}
    return found


def _leaves(value: object, path: tuple[str, ...] = ("",)) -> Iterable[tuple[tuple[str, ...], str]]:
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _leaves(each, (*path, str(key)))
    elif isinstance(value, list):
        for each in value:
            yield from _leaves(each, path)
    elif isinstance(value, str):
        yield path, value


def _gathered(gather: Callable[[], object], scrub: Scrubber) -> bytes:
    try:
        found = gather()
    except Exception as error:  # noqa: BLE001 - a broken part is what the archive is made for; it is named in its place
        found = {"not gathered": f"{type(error).__name__}: {error}"}
    if isinstance(found, str):
        return scrub.text(found).encode()
    return (json.dumps(scrub.value(found), ensure_ascii=False, indent=2) + "\n").encode()


def _versions() -> dict[str, object]:
    libraries = {}
    for name in _LIBRARIES:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            libraries[name] = "not installed"
    return {
        "soakd": version("soakd"),
        "python": platform.python_version(),
        "kernel": f"{platform.system()} {platform.release()}",
        "sqlite": sqlite3.sqlite_version,
        "libraries": libraries,
    }


def _doctor(home: Home, clock: Clock) -> list[dict[str, object]]:
    require_linux()
    return [asdict(check) for check in examine(home, clock)]


def _configuration(path: Path) -> object:
    """As it stands in the file; every target's address is removed by its key."""
    if not path.is_file():
        return {"file": "none: everything has its default"}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"at (line \d+, column \d+|end of document)", str(error))
        return {"file": f"not TOML{f' at {where[1]}' if where else ''}"}  # its text could hold anything


def _verdicts(home: Home) -> object:
    with closing(Ledger(home.journal)) as ledger:
        return [json.loads(ledger.body(line.run_id)) for line in ledger.newest(MOST_VERDICTS)]


def _drills(home: Home) -> object:
    if not home.drills.is_file():
        return {"drills": "none yet: no whole round of them was kept"}
    return json.loads(home.drills.read_text(encoding="utf-8"))


def _journal(home: Home) -> dict[str, object]:
    files = {path.name: path.stat().st_size for path in sorted(home.folder.glob("journal.db*"))}
    with closing(open_for_reading(home.journal)) as connection:
        ask = {name: f"PRAGMA {name}" for name in ("user_version", "page_size", "page_count", "freelist_count")}
        ask |= {f"rows of {table}": f"SELECT count(*) FROM {table}" for table in _TABLES}  # noqa: S608 - our own names
        facts = {name: connection.execute(statement).fetchone()[0] for name, statement in ask.items()}
        check = [row[0] for row in connection.execute("PRAGMA quick_check(20)")]
    return {"bytes": files, **facts, "quick_check": check}


def _log_lines(log: Path) -> str:
    if not log.is_file():
        return "no log file; the service manager keeps the log, if there is one\n"
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    return "\n".join(lines[-MOST_LOG_LINES:]) + "\n"
