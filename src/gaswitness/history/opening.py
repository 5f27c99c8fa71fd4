"""Where a store lies, how it is opened, and how an earlier one is brought to this version's schema."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError

from gaswitness.errors import GaswitnessError, InputError, LinkError
from gaswitness.history.schema import HEAD
from gaswitness.sentence import said

STORE = "GASWITNESS_STORE"
"""Names the store where `--store` does not."""
BUSY_S = 60.0
"""How long one program waits for another that is writing."""
LOCK = 0x6761737769746E65
"""Number under which writers of one PostgreSQL store take turns."""
MIGRATIONS = Path(__file__).parent / "migrations"
EXPECTED = said("a file name, sqlite:///FILE, or postgresql://USER@HOST/DATABASE")


def default_url() -> str:
    """The store in the user's data folder, a path, unless the environment names another, a path or an address."""
    if named := os.environ.get(STORE):
        return named
    from platformdirs import user_data_path

    return str(user_data_path("gaswitness", appauthor=False) / "history.sqlite")


def read_url(store: str | None) -> URL:
    """What `--store` says, as an address; raises InputError."""
    told = store or default_url()
    if "://" not in told:
        return URL.create("sqlite", database=told)
    try:
        url = make_url(told)
    except ArgumentError as error:
        raise InputError(said("not the address of a store"), where="--store", expected=EXPECTED) from error
    kind = url.get_backend_name()
    if kind in ("postgres", "postgresql"):
        return url.set(drivername="postgresql+psycopg")
    if kind != "sqlite" or not url.database:
        raise InputError(said("not the address of a store"), where="--store", found=kind, expected=EXPECTED)
    return url


def exists(store: str | None) -> bool:
    """Whether there is a store at this address; of a server's nothing is known before it is asked."""
    url = read_url(store)
    return url.get_backend_name() != "sqlite" or Path(url.database or "").is_file()


def open_engine(store: str | None, *, make: bool) -> Engine:
    """A store with this version's schema; with `make` one that is not there yet is made.

    Raises InputError for what is no store of ours or one of a newer version, LinkError where it does not answer.
    """
    url = read_url(store)
    if url.get_backend_name() == "sqlite":
        path = Path(url.database or "")
        if path.is_dir():
            raise InputError(said("a folder, where a store should be"), where=str(path), expected=EXPECTED)
        if make:
            path.parent.mkdir(parents=True, exist_ok=True)
        elif not path.is_file():
            raise InputError(
                said("there is no store yet"),
                where=str(path),
                hint=said("keep something first: {command}", command="gaswitness import FILE"),
            )
        engine = create_engine(url, connect_args={"timeout": BUSY_S})
        event.listen(engine, "connect", _sqlite_manners)
        event.listen(engine, "begin", _sqlite_begin)
    else:
        try:
            engine = create_engine(url, connect_args={"connect_timeout": 10})
        except (ModuleNotFoundError, NoSuchModuleError) as error:
            raise InputError(
                said("PostgreSQL needs a driver"),
                where="--store",
                hint=said("install it: {command}", command="pip install 'gaswitness[postgres]'"),
            ) from error
    try:
        with told(engine):
            _bring_up(engine, make=make)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _sqlite_manners(connection: sqlite3.Connection, _: Any) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in ("foreign_keys=ON", "journal_mode=WAL", "synchronous=FULL", "recursive_triggers=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _sqlite_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction at a time: whoever comes second waits, and what breaks off leaves nothing behind."""
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
        yield connection


def _bring_up(engine: Engine, *, make: bool) -> None:
    """Bring the schema to this version, if it is not there already; several programs may come at once."""
    with engine.connect() as connection:
        found = _schema_of(connection)
    if found == HEAD:
        return
    if found is None and not make:
        raise InputError(
            said("there is no store here yet"),
            where=_shown(engine),
            hint=said("{command} makes one", command="gaswitness import FILE"),
        )
    with writing(engine) as connection:
        _migrate(connection, _shown(engine))


def _schema_of(connection: Connection) -> str | None:
    """Name of the last migration that was carried out; none in an empty database."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return None
    if "alembic_version" not in tables or "evidence" not in tables:
        raise InputError(
            said("this database holds something else"),
            where=_shown(connection.engine),
            found=", ".join(sorted(tables)[:5]),
            expected=said("a store of gaswitness, or an empty database"),
            hint=said("give the store a database of its own"),
        )
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _migrate(connection: Connection, where: str) -> None:
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    scripts = ScriptDirectory.from_config(config)
    known = [script.revision for script in scripts.walk_revisions()]
    found = _schema_of(connection)
    if found is not None and found not in known:
        raise InputError(
            said("this store was written by a newer version of gaswitness"),
            where=where,
            found=said("schema {found}", found=found),
            expected=said("schema {head} or earlier", head=HEAD),
            hint=said("install that version or a newer one; nothing in the store was touched"),
        )
    with EnvironmentContext(config, scripts, fn=lambda at, _: scripts._upgrade_revs("head", at)) as environment:
        environment.configure(connection=connection)
        environment.run_migrations()


def _shown(engine: Engine) -> str:
    """The address without its password; of a file, its path."""
    url = engine.url
    return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)


@contextmanager
def told(engine: Engine) -> Iterator[None]:
    """What a database complains about, said as one message."""
    try:
        yield
    except GaswitnessError:
        raise
    except DBAPIError as error:
        why = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else type(error.orig).__name__
        where = _shown(engine)
        if "not a database" in why or "malformed" in why:
            raise InputError(
                said("not a store, or damaged"), where=where, found=why, expected=said("a store of gaswitness")
            ) from error
        if isinstance(error, OperationalError):
            hint = (
                said("another program is writing; try again")
                if "locked" in why
                else said("does it run, and may you open it?")
            )
            raise LinkError(
                said("{where}: the store does not do its part ({why})", where=where, why=why), hint=hint
            ) from error
        raise InputError(said("the store refused it"), where=where, found=why) from error
