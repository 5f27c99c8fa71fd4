"""Stores to test on: a file, and a real PostgreSQL server where there is one."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.postgres import server

_numbers = itertools.count()


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """Address of a server of our own."""
    with server() as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty store, of each kind."""
    if request.param == "sqlite":
        return str(tmp_path / "a folder" / "history.sqlite")
    import psycopg

    address = request.getfixturevalue("postgres")
    name = f"store{next(_numbers)}"
    with psycopg.connect(f"{address}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"{address}/{name}"
