"""PostgreSQL's password from a file: read for each connection, so that a new one is taken without a restart."""

from pathlib import Path
from typing import Any

from sqlalchemy.engine import URL

from zoneledger.secret_text import secret_of
from zoneledger.settings import PASSWORD_FILE


class PasswordUnreadable(OSError):
    """The file with the password cannot be read, or holds none; callers of the API are not told which file."""


def connecting(url: URL) -> tuple[URL, dict[str, Any]]:
    """Return the URL that the driver takes, and what else it is told: what reads the password, where the URL names a file for it."""
    file = password_file(url)
    if file is None:
        return url, {}

    def password() -> str:
        try:
            return secret_of(file.read_bytes())
        except OSError as error:
            raise PasswordUnreadable(f"the file with its password cannot be read: {error.strerror}") from None
        except ValueError as error:
            raise PasswordUnreadable(f"the file with its password {error}") from None

    return url.difference_update_query([PASSWORD_FILE]), {"password": password}


def password_file(url: URL) -> Path | None:
    """Return the file that a URL names for the password."""
    named = url.query.get(PASSWORD_FILE)
    return Path(str(named)) if named else None
