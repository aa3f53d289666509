"""Asking over HTTP: a time limit, a few tries with growing waits, and one clear line when it fails.

`httpx` carries the requests, `tenacity` repeats them (it takes the wait a server asks for, and it logs
nothing by itself). A refused or broken connection, a silence and a server in trouble are tried again; a plain
no is not.
"""

from __future__ import annotations

import email.utils
import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import httpx
import tenacity

from searcher.errors import SourceError

#: answers after which another try may help (RFC 9110; 429 is RFC 6585)
PASSING = (408, 425, 429, 500, 502, 503, 504)
#: s: first wait between tries, the longest, and the longest a server may ask for
FIRST_WAIT, LONGEST_WAIT, LONGEST_ASKED = 1.0, 30.0, 120.0
#: no transfer lasts longer, and after this no other try is made, s; no answer is larger, bytes
LONGEST_TRANSFER, LONGEST_TRYING = 1800.0, 600.0
LARGEST = 2**31
#: of a text answer no more is read, bytes
LARGEST_TEXT = 2**24

Progress = Callable[[str, int, int | None], None]
Result = TypeVar("Result")


class Passing(Exception):
    """A fault that another try may cure; `wait` is what the server asked for, s."""

    def __init__(self, line: str, wait: float | None = None) -> None:
        super().__init__(line)
        self.wait = wait


class Absent(SourceError):
    """The server is there and says that the thing asked for is not."""


@dataclass
class Web:
    """How to ask: the longest silence (s), tries, and an event that ends everything under way.

    Raises `SourceError` where the environment names a proxy or certificates that cannot be used.
    """

    timeout: float = 30.0
    tries: int = 4
    stop: threading.Event = field(default_factory=threading.Event)
    client: httpx.Client = field(init=False)

    def __post_init__(self) -> None:
        try:
            self.client = httpx.Client(
                timeout=self.timeout,
                follow_redirects=True,
                headers={"User-Agent": "searcher (python-httpx)"},
            )
        except (ImportError, ValueError, OSError) as error:
            said = str(error).rstrip(".")
            raise SourceError(
                f"the proxy or the certificates set in the environment cannot be used: {said}",
                expected="HTTP_PROXY, HTTPS_PROXY and ALL_PROXY as http://host:port, SSL_CERT_FILE and "
                "SSL_CERT_DIR that are there, or none of them",
            ) from error

    def __enter__(self) -> Web:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def read_text(self, url: str, *, token: str = "") -> str:
        """The text at an address. Raises `SourceError`."""

        def read(response: httpx.Response) -> str:
            parts, size = [], 0
            for part in response.iter_bytes():
                parts.append(part)
                size += len(part)
                if size > LARGEST_TEXT:
                    raise SourceError(f"{_host(url)} answered with over {LARGEST_TEXT >> 20} MiB of text")
            return b"".join(parts).decode(response.encoding or "utf-8", errors="replace")

        return self.repeat(lambda: self._ask(url, token, read))

    def download(
        self, url: str, path: Path, *, token: str = "", tell: Callable[[int, int | None], None] | None = None
    ) -> None:
        """Stream what is at an address into `path`. Raises `SourceError`, with the file half written."""

        def write(response: httpx.Response) -> None:
            began, total = time.monotonic(), _length(response)
            if total is not None and total > LARGEST:
                raise SourceError(
                    f"{_host(url)} would send {total / 2**20:.0f} MiB", expected="at most 2 GiB"
                )
            with open(path, "wb", buffering=0) as file:
                for part in response.iter_bytes():
                    file.write(part)
                    if tell is not None:
                        tell(file.tell(), total)
                    self._check_limits(url, file.tell(), time.monotonic() - began)

        self.repeat(lambda: self._ask(url, token, write))

    def repeat(self, action: Callable[[], Result]) -> Result:
        """The result of an action, tried again after `Passing`. Raises `SourceError` when it gives up."""
        retrying = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self.tries) | tenacity.stop_after_delay(LONGEST_TRYING),
            retry=tenacity.retry_if_exception_type(Passing),
            wait=_choose_wait,
            sleep=self.stop.wait,  # type: ignore[arg-type]  # what it gives back is not looked at
            reraise=True,
        )
        try:
            return retrying(action)
        except Passing as error:
            tried = "" if self.tries == 1 else f" ({self.tries} tries)"
            raise SourceError(f"{error}{tried}") from error

    def _ask(self, url: str, token: str, take: Callable[[httpx.Response], Result]) -> Result:
        """One try: what `take` makes of a good answer."""
        if self.stop.is_set():
            raise SourceError("stopped")
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        try:
            with self.client.stream("GET", url, headers=headers) as response:
                if response.status_code != httpx.codes.OK:
                    raise _refusal(url, response)
                return take(response)
        except httpx.TimeoutException as error:
            raise Passing(f"{_host(url)} was silent for {self.timeout:g} s") from error
        except httpx.ConnectError as error:
            raise Passing(f"no connection to {_host(url)}: {error}") from error
        except (httpx.TransportError, httpx.DecodingError) as error:
            raise Passing(f"{_host(url)} broke off its answer: {error}") from error
        except (httpx.InvalidURL, httpx.TooManyRedirects) as error:
            raise SourceError(f"{url} cannot be asked: {error}") from error

    def _check_limits(self, url: str, size: int, elapsed: float) -> None:
        if self.stop.is_set():
            raise SourceError("stopped")
        if size > LARGEST:
            raise SourceError(f"{_host(url)} sent over 2 GiB", hint="Ask for a smaller region")
        if elapsed > LONGEST_TRANSFER:
            raise SourceError(f"{_host(url)} needed over {LONGEST_TRANSFER / 60:.0f} min, given up")


def _choose_wait(state: tenacity.RetryCallState) -> float:
    """What the server asked for, else a wait that doubles, and a random part so that clients spread."""
    error = state.outcome.exception() if state.outcome else None
    if isinstance(error, Passing) and error.wait is not None:
        return error.wait
    doubling = tenacity.wait_exponential(multiplier=FIRST_WAIT, max=LONGEST_WAIT)
    return doubling(state) + tenacity.wait_random(0, FIRST_WAIT)(state)


def _refusal(url: str, response: httpx.Response) -> Exception:
    """What an answer other than 200 means."""
    said = find_message(_read_start(response))
    line = f"{_host(url)} answered {response.status_code} {response.reason_phrase}".rstrip()
    line += f": {said}" if said else ""
    if response.status_code in PASSING:
        wait = read_retry_after(response.headers.get("Retry-After", ""))
        if wait is not None and wait > LONGEST_ASKED:
            return SourceError(line, hint=f"It asks to come back in {wait / 60:.0f} min")
        return Passing(line, wait)
    if response.status_code in (401, 403):
        return SourceError(line, hint="It asks for a login, or keeps this address closed")
    return Absent(line) if response.status_code in (404, 410) else SourceError(line)


def _read_start(response: httpx.Response) -> str:
    start = b""
    for part in response.iter_bytes(4096):
        start += part
        if len(start) >= 4096:
            break
    return start[:4096].decode("utf-8", errors="replace")


def find_message(text: str) -> str:
    """The words of an error page in one line: a DAP error's message, a page's title, or how it starts."""
    for pattern in (r'message\s*=\s*"(.*?)"\s*;', r'"message"\s*:\s*"(.*?)"', r"<title[^>]*>(.*?)</title>"):
        found = re.search(pattern, text, re.DOTALL | re.IGNORECASE)
        if found:
            text = found[1]
            break
    words = " ".join(re.sub(r"<[^>]*>", " ", text).split())
    return words if len(words) <= 160 else f"{words[:157]}..."


def read_retry_after(value: str) -> float | None:
    """Seconds of a Retry-After header: a number, or a date (RFC 9110, section 10.2.3)."""
    if re.fullmatch(r"\d+", value.strip()):
        return float(value)
    try:
        when = email.utils.parsedate_to_datetime(value)
    except ValueError:
        return None
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return max((when - datetime.now(UTC)).total_seconds(), 0.0)


def _length(response: httpx.Response) -> int | None:
    """Bytes to come; None where they are not said, or said of packed bytes."""
    value = response.headers.get("Content-Length", "")
    return int(value) if value.isdigit() and "Content-Encoding" not in response.headers else None


def _host(url: str) -> str:
    return httpx.URL(url).netloc.decode("ascii", errors="replace") or url
