"""How the person who started the page gets in, and no other user of the machine does.

The browser is given a file that only this person can read. It leads to the page with a key that
opens once; the page's script gives that key up for the one that it holds from then on, and sends
in a header with all that it asks. Then the file holds a new key for the next window. So no key is
in the command line of any process, and none goes to another server on this machine as a cookie
would.
"""

from __future__ import annotations

import hmac
import secrets
import shutil
import tempfile
import threading
from pathlib import Path

__all__ = ["KeyFile"]

_FILE = """<!doctype html>
<meta charset="utf-8">
<meta name="referrer" content="no-referrer">
<meta http-equiv="refresh" content="0; url={address}">
<title>Handspan</title>
<p><a href="{address}">Open the riffs</a></p>
"""


class KeyFile:
    """The file that leads to the page at ``url``, and the key in it, which opens once.

    >>> keys = KeyFile("http://127.0.0.1:8000")
    >>> key = keys.address.partition("#key=")[2]
    >>> keys.redeem("guess"), keys.redeem(key), keys.redeem(key)
    (False, True, False)
    >>> keys.close()
    """

    def __init__(self, url: str) -> None:
        self._url = url
        self._folder = Path(tempfile.mkdtemp(prefix="handspan-page-"))  # for this user alone
        self.path = self._folder / "open.html"
        self._lock = threading.Lock()
        self._renew()

    @property
    def address(self) -> str:
        """The page's address, with the key that opens once."""
        return f"{self._url}/#key={self._key}"

    def redeem(self, key: str) -> bool:
        """Whether ``key`` is the one in the file; if so, the file gets a new one."""
        with self._lock:
            if not hmac.compare_digest(key.encode(), self._key.encode()):
                return False
            self._renew()
            return True

    def close(self) -> None:
        """Take the file away."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def _renew(self) -> None:
        self._key = secrets.token_urlsafe(24)
        self.path.write_text(_FILE.format(address=self.address), encoding="utf-8")
