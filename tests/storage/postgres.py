"""A PostgreSQL cluster of the tests' own, on a port of its own, gone when they end."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

from tests.api.serving import free_port

USER = "postgres"


def programs() -> Path | None:
    """Return the folder of the server programs, or None where there are none."""
    found = shutil.which("initdb")
    folders = [Path(found).parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((folder for folder in folders if (folder / "pg_ctl").exists()), None)


class Cluster:
    """A running server; `stop` and `start` are those of the real thing."""

    def __init__(self, folder: Path, bin_folder: Path) -> None:
        self.folder = folder
        self.bin = bin_folder
        self.port = free_port()
        self._databases = 0

    def run(self, program: str, *options: str) -> None:
        """Run a server program as the user who owns the cluster: the server refuses to run as root."""
        command = [str(self.bin / program), *options]
        if os.geteuid() == 0:
            command = ["setpriv", "--reuid", USER, "--regid", USER, "--init-groups", "--", *command]
        subprocess.run(command, check=True, capture_output=True, timeout=60, cwd=self.folder.parent)

    def start(self) -> None:
        options = (
            f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={self.folder.parent}"
        )
        log = str(self.folder.parent / "log")
        self.run("pg_ctl", "-D", str(self.folder), "-l", log, "-w", "-o", options, "start")

    def stop(self, how: str = "fast") -> None:
        self.run("pg_ctl", "-D", str(self.folder), "-m", how, "-w", "stop")

    def address(self, name: str) -> str:
        return f"postgresql://{USER}@127.0.0.1:{self.port}/{name}"

    def new_database(self) -> str:
        """Make an empty database and return its address."""
        self._databases += 1
        name = f"prepull_{self._databases}"
        with psycopg.connect(self.address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.address(name)


@contextmanager
def cluster(bin_folder: Path) -> Iterator[Cluster]:
    """Make a cluster and run it."""
    base = Path(tempfile.mkdtemp(prefix="prepull-pg-"))
    made = Cluster(base / "data", bin_folder)
    try:
        if os.geteuid() == 0:
            user = pwd.getpwnam(USER)
            os.chown(base, user.pw_uid, user.pw_gid)
        made.run("initdb", "-D", str(made.folder), "-U", USER, "-A", "trust", "-E", "UTF8", "--no-sync")
        made.start()
        yield made
        made.stop("immediate")
    finally:
        for _ in range(5):
            shutil.rmtree(base, ignore_errors=True)
            if not base.exists():
                break
            time.sleep(0.2)
