"""A PostgreSQL server of the tests' own: made in a temporary folder, on a free port, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

SERVANT = "nobody"
"""PostgreSQL does not run as root; where tests do, the server runs as somebody who may do nothing else."""


def programs() -> Path | None:
    """Where initdb and pg_ctl are; Debian keeps them off the path."""
    if found := shutil.which("pg_ctl"):
        return Path(found).resolve().parent
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), reverse=True)
    return places[0].parent if places else None


@contextlib.contextmanager
def server() -> Iterator[str]:
    """A running server, as `postgresql://.../` without a database; skips where there is none to be had."""
    import pytest

    bin_ = programs()
    if bin_ is None:
        pytest.skip("PostgreSQL is not installed (scripts/services.sh)")
    as_user: dict[str, object] = {}
    folder = Path(tempfile.mkdtemp(prefix="gaswitness-pg-"))
    if os.geteuid() == 0:
        import pwd

        servant = pwd.getpwnam(SERVANT)
        os.chown(folder, servant.pw_uid, servant.pw_gid)
        as_user = {"user": servant.pw_uid, "group": servant.pw_gid, "extra_groups": []}
    data, port = folder / "data", _free_port()

    def call(*words: str) -> None:
        subprocess.run(
            words, check=True, cwd=folder, stdout=subprocess.DEVNULL, env={**os.environ, "LC_ALL": "C"}, **as_user
        )  # type: ignore[call-overload]

    try:
        call(str(bin_ / "initdb"), "-D", str(data), "-U", "tester", "-A", "trust", "-E", "UTF8", "--no-sync")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='{folder}' -c fsync=off"
        call(str(bin_ / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield f"postgresql://tester@127.0.0.1:{port}"
        finally:
            call(str(bin_ / "pg_ctl"), "-D", str(data), "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])
