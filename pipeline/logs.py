"""The log of the command line: words for people, lines of JSON for other programs."""

import json
import logging
import socket
from datetime import UTC, datetime
from pathlib import Path

from pipeline.io.atomic import explain_failure

__all__ = ["JsonLines", "open_log"]


class JsonLines(logging.Formatter):
    """One JSON object a record: time (UTC), level, logger, message, process, host, trace."""

    def format(self, record: logging.LogRecord) -> str:
        """Text of a record.

        Parameters
        ----------
        record : LogRecord
            Its attribute `facts`, a dict, is added where there is one.

        Returns
        -------
        str
        """
        row = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            "process": record.process,
            "host": socket.gethostname(),
            **getattr(record, "facts", {}),
        }
        if record.exc_info:
            row["trace"] = self.formatException(record.exc_info)
        return json.dumps(row, default=str)


def open_log(path: Path) -> None:
    """Add a file to what is logged to, from this program at the level of information.

    Parameters
    ----------
    path : Path
        Lines of JSON; added to when it is there.

    Raises
    ------
    ProductError
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = logging.FileHandler(path, encoding="utf-8")
    except OSError as error:
        raise explain_failure(path, error) from error
    handler.setFormatter(JsonLines())
    handler.setLevel(logging.INFO)
    logging.getLogger().addHandler(handler)
    logging.getLogger("pipeline").setLevel(logging.INFO)
