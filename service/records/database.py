"""The database: one SQLite file in write-ahead mode, brought up to date on start, opened for one studio at a time.

A session opened for a studio adds that studio's id to every query it makes, whoever wrote the query, and refuses to
write a row of another studio.  A session for the whole house exists only for signing in, for links and for jobs.
Deleted content is overwritten (``secure_delete``), so that deletion really deletes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine, event, text
from sqlalchemy.orm import ORMExecuteState, Session, sessionmaker, with_loader_criteria

from service.records.columns import StudioRow

LOCKED_S = 5
"""How long a locked database is waited for, s; whoever asks is then told to come again, and jobs are tried again."""
MIGRATIONS = Path(__file__).parent / "migrations"


class WrongStudio(RuntimeError):
    """Raised when code tries to write a row of a studio that its session is not for."""


class Store:
    """The records.

    Parameters
    ----------
    file : Path
        The SQLite file; made where it does not exist.
    """

    def __init__(self, file: Path) -> None:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.engine = create_engine(f"sqlite:///{file}", connect_args={"timeout": LOCKED_S}, hide_parameters=True)
        event.listen(self.engine, "connect", _prepare_connection)
        self._sessions = sessionmaker(self.engine, expire_on_commit=False)

    def migrate(self) -> None:
        """Bring the tables up to date."""
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        with self.engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")

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

    def forget_traces(self) -> None:
        """After a deletion: empty the write-ahead log, where the deleted content would linger."""
        with self.engine.connect() as connection:
            connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


def _prepare_connection(connection: Any, _: object) -> None:
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "secure_delete=ON"):
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
