"""A real PostgreSQL server and a sealed record for the tests that need one.

Session fixture `postgres`: a server of this run's own in a temporary folder, on a Unix socket that
nobody else sees, ended with the run. Fixture `postgres_database`: the SQLAlchemy URL of a database
that is fresh for one test. A server that is not installed fails the tests; it skips them only
where ``LESSONMARK_TESTS_WITHOUT_POSTGRES`` is set.

Fixture `sealer`: seals the record in a folder, and opens it. Fixture `write_drill`: writes a drill
of a coach's own.
"""

import os
import re
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import make_url

import lessonmark
from lessonmark.lessons.sealed_keys import (
    KEY_FILE,
    RECOVERY_FILE,
    RecordKeys,
    make_keys,
    write_keys,
)
from lessonmark.lessons.sealing import seal_record
from lessonmark.lessons.store import DATABASE_NAME, Record, open_record

WITHOUT = "LESSONMARK_TESTS_WITHOUT_POSTGRES"
STARTS_WITHIN_S = 60.0
OWNER = "coach"


@dataclass(frozen=True, kw_only=True)
class PostgresServer:
    """A running server; `socket_folder` is how it is reached."""

    socket_folder: Path
    version: str
    _numbers: count

    def new_database(self) -> str:
        """Make an empty database; gives its SQLAlchemy URL."""
        name = f"record_{next(self._numbers)}"
        with self.connect() as connection:
            connection.execute(f'CREATE DATABASE "{name}"')
        return f"postgresql+psycopg://{OWNER}@/{name}?host={self.socket_folder}"

    def drop(self, url: str) -> None:
        """Drop a database of `new_database`, whoever is still connected."""
        name = make_url(url).database
        with self.connect() as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')

    def connect(self) -> psycopg.Connection:
        """Connect to the server's own database, each statement kept at once."""
        return psycopg.connect(
            host=str(self.socket_folder), user=OWNER, dbname="postgres", autocommit=True
        )


def find_programs() -> Path | None:
    """Find the folder of initdb and postgres: on the path, or where Debian puts the newest."""
    named = shutil.which("initdb")
    if named is not None:
        return Path(named).resolve().parent
    there = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    return max((one.parent for one in there), key=lambda p: float(p.parent.name), default=None)


@pytest.fixture(scope="session")
def postgres():
    """Run a server for as long as the tests run."""
    if os.environ.get(WITHOUT):
        pytest.skip(f"{WITHOUT} is set")
    programs = find_programs()
    if programs is None:
        pytest.fail(
            "PostgreSQL's server is not installed: install the system's package 'postgresql', or "
            f"set {WITHOUT}=1 to leave these tests out",
            pytrace=False,
        )
    # Not under pytest's own folder: the server may not run as root, and that folder is root's.
    home = Path(tempfile.mkdtemp(prefix="lessonmark-pg-"))
    as_whom = {}
    if os.getuid() == 0:
        as_whom = {"user": "nobody", "group": "nogroup", "extra_groups": []}
        shutil.chown(home, "nobody", "nogroup")
    # No variables of the caller's: a PGDATA or PGPORT would point elsewhere.
    calm = {"env": {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "TZ": "UTC"}, "cwd": home}
    data = home / "data"
    made = subprocess.run(
        [programs / "initdb", "-D", data, "-U", OWNER, "-E", "UTF8", "--auth=trust", "--no-sync"],
        capture_output=True,
        text=True,
        **calm,
        **as_whom,
    )
    assert made.returncode == 0, made.stderr
    said = (home / "server.log").open("w+")
    server = subprocess.Popen(
        # Durability is the server's own business and not what is tested here: no fsync.
        [programs / "postgres", "-D", data, "-k", home, "-c", "listen_addresses=", "-F"],
        stdout=said,
        stderr=said,
        **calm,
        **as_whom,
    )
    try:
        yield PostgresServer(
            socket_folder=home, version=_wait_for(server, home, said), _numbers=count(1)
        )
    finally:
        server.send_signal(signal.SIGINT)  # a fast shutdown, whoever is still connected
        server.wait(30)
        said.close()
        shutil.rmtree(home)


@pytest.fixture
def postgres_database(postgres):
    """Give the URL of a database of this test's own."""
    url = postgres.new_database()
    yield url
    postgres.drop(url)


def _wait_for(server: subprocess.Popen, home: Path, said) -> str:
    until = time.monotonic() + STARTS_WITHIN_S
    while server.poll() is None and time.monotonic() < until:
        try:
            with psycopg.connect(host=str(home), user=OWNER, dbname="postgres") as connection:
                (version,) = connection.execute("SHOW server_version").fetchone()
                return version
        except psycopg.OperationalError:
            time.sleep(0.05)
    said.seek(0)
    pytest.fail(f"PostgreSQL's server did not start:\n{said.read()}", pytrace=False)


PASSPHRASE = "seven quiet putters under a bridge"


@dataclass(frozen=True, kw_only=True)
class Sealer:
    """Seals folders with one pair of keys, since making a pair takes seconds on purpose."""

    keys: RecordKeys
    made_in: Path
    passphrase: str = PASSPHRASE

    def seal(self, folder: Path) -> None:
        """Seal the record in a folder, or let one that is not there yet begin sealed."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in (KEY_FILE, RECOVERY_FILE):
            shutil.copyfile(self.made_in / name, folder / name)
        if (folder / DATABASE_NAME).exists():
            seal_record(folder, self.keys)

    def open(self, folder: Path) -> Record:
        """Open a sealed record without its passphrase's seconds."""
        return open_record(folder, keys=self.keys)


@pytest.fixture(scope="session")
def made_keys(tmp_path_factory):
    """Keys that a passphrase opens."""
    folder, keys = tmp_path_factory.mktemp("keys"), make_keys()
    write_keys(folder, keys, PASSPHRASE)
    return Sealer(keys=keys, made_in=folder)


@pytest.fixture
def sealer(made_keys):
    """Seal and open records; the program finds the passphrase in its environment."""
    with pytest.MonkeyPatch.context() as patched:  # a test may undo its own
        patched.setenv("LESSONMARK_PASSPHRASE", PASSPHRASE)
        yield made_keys


@pytest.fixture(scope="session")
def write_drill():
    """Write a drill of a coach's own: one of the library with other words."""
    library = Path(lessonmark.__file__).parent / "drills" / "library"

    def write(file: Path, **words: str) -> Path:
        text = (library / "feet-together.toml").read_text(encoding="utf-8")
        for key, said in words.items():
            text = re.sub(rf"^{key} = .*$", f'{key} = "{said}"', text, count=1, flags=re.M)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        return file

    return write
