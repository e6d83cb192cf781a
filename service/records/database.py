"""The database: one SQLite file in write-ahead mode or PostgreSQL, brought up to date on start, opened by studio.

A session opened for a studio adds that studio's id to every query it makes, whoever wrote the query, and refuses to
write a row of another studio.  A session for the whole house exists only for signing in, for links and for jobs.
In SQLite deleted content is overwritten (``secure_delete``), so that deletion really deletes; PostgreSQL does so when
it cleans up (VACUUM), which it does by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Delete, Update, create_engine, event, make_url, text
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.orm import ORMExecuteState, Session, sessionmaker, with_loader_criteria
from sqlalchemy.pool import StaticPool

from service.records.columns import StudioRow
from service.records.folder import FolderError, FolderLock
from service.records.tables import SECRET, Mark
from service.security import PRIVATE_FILE, PRIVATE_FOLDER

LOCKED_S = 5
"""How long a locked database is waited for, s; whoever asks is then told to come again, and jobs are tried again."""
MIGRATING = 7223011
"""Number of the lock that whoever brings the tables up to date holds; our choice."""
SERVING = 7223013
"""Number of the lock that every process of a service holds together with the others; our choice."""
PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "secure_delete=ON")
"""How SQLite keeps the records: on the disk when they are said to be kept, and overwritten when they are deleted."""
MIGRATIONS = Path(__file__).parent / "migrations"


class WrongStudio(RuntimeError):
    """Raised when code tries to write a row of a studio that its session is not for."""


class Store:
    """The records.

    Parameters
    ----------
    place : Path or str or None
        The SQLite file, made where it does not exist; or the address of a PostgreSQL database; None is SQLite in the
        memory of this process.
    """

    def __init__(self, place: Path | str | None) -> None:
        if place is None:
            self.name = "the records in memory"
            self.engine = create_engine("sqlite://", poolclass=StaticPool, hide_parameters=True)
        elif isinstance(place, Path):
            place.parent.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
            self.name = str(place)
            place.touch(mode=PRIVATE_FILE)  # SQLite gives its other files the mode of this one
            self.engine = create_engine(f"sqlite:///{place}", connect_args={"timeout": LOCKED_S}, hide_parameters=True)
            event.listen(self.engine, "connect", _prepare_connection)
        else:
            url = make_url(place).set(drivername="postgresql+psycopg")
            self.name = f"the database {url.database} on {url.host or 'this machine'}"
            options = {"connect_timeout": LOCKED_S, "options": f"-c lock_timeout={LOCKED_S}s"}
            self.engine = create_engine(url, connect_args=options, hide_parameters=True, pool_pre_ping=True)
        self.is_shared = isinstance(place, str)
        self.traces_left = True  # a process that was killed may have left some
        self._sessions = sessionmaker(self.engine, expire_on_commit=False)

    def migrate(self) -> None:
        """Bring the tables up to date.

        Raises
        ------
        FolderError
            If the database is damaged, or a newer program has used it.
        """
        config = _config()
        try:
            with self.engine.begin() as connection:
                if self.is_shared:
                    connection.execute(text(f"SELECT pg_advisory_xact_lock({MIGRATING})"))
                else:
                    _check_whole(connection)
                    connection.exec_driver_sql("BEGIN IMMEDIATE")  # so that tables change all at once or not at all
                if MigrationContext.configure(connection).get_current_revision() != _newest():
                    config.attributes["connection"] = connection
                    command.upgrade(config, "head")
        except CommandError:
            raise FolderError(
                f"{self.name} was used by a newer version of this program; install that one, or restore a backup."
            ) from None
        except OperationalError as error:
            if "locked" in str(error.orig):
                raise FolderError(f"{self.name} is in use by another program; stop it first.") from None
            reason = str(error.orig).strip().splitlines()[-1]
            raise FolderError(f"{self.name} cannot be opened: {reason}.") from None
        except DatabaseError:
            raise FolderError(f"{self.name} is damaged; restore it from a backup.") from None

    def check_secret(self, mark: str, former: str | None = None) -> None:
        """Keep a mark of the secret with the records, and later compare it.

        Parameters
        ----------
        mark : str
            Derived from the secret, and telling nothing of it.
        former : str, optional
            Mark of the secret before it, which the present one has replaced.

        Raises
        ------
        FolderError
            If the records were made with another secret: every link would be dead and no photo readable.
        """
        with self.whole_house() as session:
            kept = session.get(Mark, SECRET)
            if kept is None:
                session.add(Mark(name=SECRET, value=mark))
            elif kept.value == former:
                kept.value = mark
            elif kept.value != mark:
                raise FolderError(
                    f"The secret is not the one that {self.name} was made with; put the former one back, or no link "
                    "opens and no photo can be read."
                )

    @contextmanager
    def for_studio(self, studio_id: str) -> Iterator[Session]:
        """Open a session that sees and writes one studio's rows only; commits at the end."""
        with self._sessions.begin() as session:
            session.info["studio_id"] = studio_id
            event.listen(session, "do_orm_execute", _only_this_studio)
            event.listen(session, "before_flush", _write_only_this_studio)
            yield session

    @contextmanager
    def whole_house(self) -> Iterator[Session]:
        """Open a session that sees every studio: for signing in, links and jobs only; commits at the end."""
        with self._sessions.begin() as session:
            yield session

    @contextmanager
    def nobody_serves(self, folder: Path) -> Iterator[None]:
        """Hold the records for a chore that no service may work beside.

        Parameters
        ----------
        folder : Path
            The data folder.

        Raises
        ------
        FolderError
            If a service works on them.
        """
        if not self.is_shared:
            lock = FolderLock(folder)
            lock.take()
            try:
                yield
            finally:
                lock.release()
            return
        with self.engine.connect() as connection:
            if not connection.execute(text(f"SELECT pg_try_advisory_xact_lock({SERVING})")).scalar():
                raise FolderError(f"A service already works on {self.name}; stop every process of it first.")
            yield
            connection.rollback()

    def forget_traces(self) -> None:
        """After a deletion: empty the write-ahead log, where the deleted content would linger.

        Somebody who is reading at the moment keeps the log from being emptied; `traces_left` then says so, and the
        keeper tries again.
        """
        if self.is_shared:
            self.traces_left = False
            return
        self.traces_left = True
        with self.engine.connect() as connection:
            # while this waited for a reader nobody could write: one who reads and then writes would wait for himself
            connection.exec_driver_sql("PRAGMA busy_timeout = 0")
            try:
                busy = connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)")).one()[0]
            finally:
                connection.exec_driver_sql(f"PRAGMA busy_timeout = {LOCKED_S * 1000}")
        self.traces_left = bool(busy)

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


def changed(session: Session, statement: Update | Delete) -> int:
    """Change rows at once, on condition; how many fitted.

    What is looked at first and changed afterwards can be changed by two at the same moment; here the database decides.
    """
    done: Any = session.execute(statement.execution_options(synchronize_session=False))
    return int(done.rowcount)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return config


@cache
def _newest() -> str | None:
    """Name of the newest form of the tables, for which every script of the migrations is read."""
    return ScriptDirectory.from_config(_config()).get_current_head()


def _check_whole(connection: Connection) -> None:
    """Raise `DatabaseError` where pages of the file are damaged."""
    found = connection.execute(text("PRAGMA quick_check(1)")).scalar()
    if found != "ok":
        raise DatabaseError("quick_check", None, Exception(str(found)))


def _prepare_connection(connection: Any, _: object) -> None:
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _only_this_studio(state: ORMExecuteState) -> None:
    if state.is_column_load or state.is_relationship_load:
        return
    studio_id = state.session.info["studio_id"]
    state.statement = state.statement.options(
        with_loader_criteria(StudioRow, lambda table: table.studio_id == studio_id, include_aliases=True)
    )


def _write_only_this_studio(session: Session, *_: object) -> None:
    for row in (*session.new, *session.dirty, *session.deleted):
        if isinstance(row, StudioRow) and row.studio_id != session.info["studio_id"]:
            raise WrongStudio(type(row).__name__)
