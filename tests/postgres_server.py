"""A PostgreSQL of its own for one command: ``python tests/postgres_server.py COMMAND ...``.

The server listens on a free loopback port, keeps its data in a temporary folder and is stopped and removed when the
command ends. The command finds its address in ``PRESSSTATS_POSTGRESQL`` and the password in ``PGPASSWORD``. Root is no
user of PostgreSQL: for root the server runs as ``postgres``, whom Debian's package brings.
"""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

__all__ = ["ADDRESS", "postgres_server", "programs"]

ADDRESS = "PRESSSTATS_POSTGRESQL"
_PATIENCE = 60.0


def programs() -> Path | None:
    """Return the folder of the newest server programs; None where none is installed."""
    found = shutil.which("initdb")
    there = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return Path(found).parent if found else there[-1].parent if there else None


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@contextmanager
def postgres_server() -> Iterator[dict[str, str]]:
    """Give the environment in which a new server is found."""
    folder = Path(tempfile.mkdtemp(prefix="postgres-"))
    server = None
    try:
        password, port, where = secrets.token_hex(8), _free_port(), programs()
        assert where is not None, "no PostgreSQL is installed"
        (folder / "password").write_text(password)
        as_user: dict[str, Any] = {"cwd": folder}
        if os.getuid() == 0:
            as_user |= {"user": "postgres", "group": "postgres", "extra_groups": []}
            for path in (folder, folder / "password"):
                shutil.chown(path, "postgres", "postgres")
        made = [where / "initdb", "--pgdata", folder / "data", "--username", "press", "--no-sync"]
        made += [
            "--auth",
            "scram-sha-256",
            "--pwfile",
            folder / "password",
            "--encoding",
            "UTF8",
            "--no-locale",
        ]
        subprocess.run(made, check=True, stdout=subprocess.DEVNULL, **as_user)
        options = {
            "listen_addresses": "127.0.0.1",
            "port": port,
            "unix_socket_directories": "",
            "fsync": "off",
        }
        options |= {"shared_buffers": "32MB", "logging_collector": "off"}
        given = [f"--{name}={value}" for name, value in options.items()]
        with (folder / "log").open("w") as log:
            server = subprocess.Popen(
                [where / "postgres", "-D", folder / "data", *given], stdout=log, stderr=log, **as_user
            )
        found = {ADDRESS: f"postgresql://press@127.0.0.1:{port}/postgres", "PGPASSWORD": password}
        _wait_for(server, port, password, folder / "log")
        yield found
    finally:
        if server is not None:
            server.send_signal(signal.SIGINT)  # ends sessions, then itself
            try:
                server.wait(_PATIENCE)
            except subprocess.TimeoutExpired:
                server.kill()
        shutil.rmtree(folder, ignore_errors=True)


def _wait_for(server: subprocess.Popen[bytes], port: int, password: str, log: Path) -> None:
    import psycopg

    begun = time.monotonic()
    while True:
        try:
            psycopg.connect(
                host="127.0.0.1",
                port=port,
                user="press",
                password=password,
                dbname="postgres",
                connect_timeout=2,
            ).close()
            return
        except psycopg.OperationalError:
            if server.poll() is not None or time.monotonic() - begun > _PATIENCE:
                raise RuntimeError(f"PostgreSQL did not start:\n{log.read_text()}") from None
            time.sleep(0.05)


if __name__ == "__main__":
    with postgres_server() as environment:
        ended = subprocess.run(sys.argv[1:], env=os.environ | environment, check=False)
    sys.exit(ended.returncode)
