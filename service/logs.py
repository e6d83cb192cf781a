"""What is written to the log: one JSON object a line, by a list of what may stand in it.

Written is when, how grave, who says it, and of our own events the sentence as it stands in the code with the kind of
an error and its place in the code.  Nothing else is, whoever logs it: no text of an error, no argument, no message of a
library, since any of them can quote what somebody sent, and a log is kept longer than a photo.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import traceback
from datetime import UTC, datetime
from pathlib import PurePath

OWN = "scrollreach"
ALLOWED = {
    "kind": re.compile(r"[A-Za-z_]\w{0,80}"),
    "place": re.compile(r"\w{1,60}\.py:\d{1,6}|nowhere"),
    "why": re.compile(r"[a-z0-9_]{1,40}"),
    "room": re.compile(r"[a-z-]{1,20}"),
    "status": re.compile(r"\d{3}"),
    "who": re.compile(r"(teacher|link|report|key) [0-9a-f]{32}"),
    "count": re.compile(r"\d{1,9}"),
}
"""Fields that an event of ours may carry, and the shape of their values: a class's name, a line of code, why and where
somebody was refused, and an identity of the records, which opens nothing and says no name."""


class AllowedOnly(logging.Formatter):
    """Writes what is allowed and leaves out everything else."""

    def format(self, record: logging.LogRecord) -> str:
        """One line of JSON."""
        said: dict[str, str] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "by": record.name,
        }
        if record.name == OWN:
            said["event"] = str(record.msg)
        else:
            said["from"] = f"{PurePath(record.pathname).name}:{record.lineno}"
        if record.exc_info and record.exc_info[0] is not None:
            said["kind"] = record.exc_info[0].__name__
        for name, shape in ALLOWED.items():
            value = getattr(record, name, None)
            if isinstance(value, str) and shape.fullmatch(value):
                said[name] = value
        return json.dumps(said)


def note_failure(event: str, error: BaseException | None = None) -> None:
    """Note that something failed.

    Parameters
    ----------
    event : str
        A sentence that stands in the code as it is: nothing is put into it.
    error : BaseException, optional
        Its class and where it arose are noted, never its text.
    """
    fields = {} if error is None else {"kind": type(error).__name__, "place": _place(error)}
    logging.getLogger(OWN).error(event, extra=fields)


def note_refusal(why: str, room: str, status: int, who: str) -> None:
    """Note that somebody was refused something.

    Parameters
    ----------
    why : str
        A word of ours.
    room : str
        Part of the service.
    status : int
        Status of the answer.
    who : str
        What was shown and its identity, such as "key 0123...", empty for a stranger.
    """
    fields = {"why": why, "room": room, "status": str(status), "who": who}
    logging.getLogger(OWN).warning("refused", extra=fields)


def note_left_out(count: int) -> None:
    """Note how many refusals were too many to be noted one by one."""
    logging.getLogger(OWN).warning("refused more often than is noted", extra={"count": str(count)})


def write_allowed_only() -> None:
    """Let every logger of the process write to the standard error, what is allowed alone."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(AllowedOnly())
    root = logging.getLogger()
    root.handlers = [handler]
    for name in list(logging.root.manager.loggerDict):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [], True


def _place(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "/service/" in frame.filename] or list(frames)
    return f"{PurePath(own[-1].filename).name}:{own[-1].lineno}" if own else "nowhere"
