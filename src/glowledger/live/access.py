"""Who may see the live page: this machine alone, or whoever has the token."""

from __future__ import annotations

import hmac
import ipaddress
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from glowledger.errors import WriteError

TOKEN_FILE = "live_token"
TOKEN_BYTES = 24  # 192 random bits


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Address and token of a page.

    Attributes
    ----------
    host : str
        Address or name to listen on.
    token : str
        Has to be in every request; empty on the loopback interface.
    """

    host: str
    token: str

    def admits(self, token: str) -> bool:
        """Return True if a request with this token may be answered; takes the same time for any wrong one."""
        return not self.token or hmac.compare_digest(token.encode(), self.token.encode())

    def knows_host(self, header: str) -> bool:
        """Return True if a request is meant for us, by its Host header.

        Without a token only names of this machine count, so that no page elsewhere reaches us under a name of its
        own that it lets point here (DNS rebinding).
        """
        name = urlsplit(f"//{header}").hostname or ""
        return bool(self.token) or is_loopback(name) or name == self.host

    def same_site(self, origin: str | None, header: str) -> bool:
        """Return True if a request comes from our own page: its Origin names the very host and port it is sent to."""
        return origin is not None and urlsplit(origin).netloc.lower() == header.lower()


def is_loopback(host: str) -> bool:
    """Return True for addresses and names that only this machine reaches."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def access_for(host: str, folder: Path) -> Access:
    """Return the access to a page on this host; the token of a run stays the same when it is started again.

    Parameters
    ----------
    host : str
        What the user asked for.
    folder : Path
        Where the answer to the run is kept; the token is kept there, readable by its owner alone.

    Raises
    ------
    WriteError
        If the token cannot be kept.
    """
    if is_loopback(host):
        return Access(host=host, token="")
    path = folder / TOKEN_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.is_file() and len(kept := path.read_text(encoding="ascii").strip()) >= TOKEN_BYTES:
            return Access(host=host, token=kept)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        path.unlink(missing_ok=True)
        with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as stream:
            stream.write(f"{token}\n")
    except (OSError, UnicodeDecodeError) as error:
        problem = f"the token cannot be kept ({error})."
        raise WriteError(problem, mend="Choose another folder with -o.", file=path) from None
    return Access(host=host, token=token)
