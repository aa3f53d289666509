"""Who may come in: whoever knows the token in the address, on this machine, from this page.

The server listens on 127.0.0.1 alone. Every address begins with a random token; what lacks it, names another
host (as a page does whose name was made to point here) or comes from another page's origin, gets 403, be it a
page, a file or a websocket.
"""

from __future__ import annotations

import hmac
import secrets
import socket
from collections.abc import Callable
from typing import Any

from bokeh.application import Application
from bokeh.application.handlers import FunctionHandler
from bokeh.document import Document
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPServerRequest
from tornado.ioloop import IOLoop
from tornado.web import ErrorHandler

from searcher.errors import SearcherError

HOST = "127.0.0.1"


class Guarded(BokehTornado):  # type: ignore[misc]  # no types are read of its library
    """The application, behind the token. `guard` is set before the first request."""

    guard: Callable[[HTTPServerRequest], bool]

    def find_handler(self, request: HTTPServerRequest, **options: Any) -> Any:
        """The handler of a request; of one that may not come in, a refusal."""
        if not self.guard(request):
            return self.get_handler_delegate(request, ErrorHandler, {"status_code": 403})
        return super().find_handler(request, **options)


def may_enter(request: HTTPServerRequest, *, token: str, place: str) -> bool:
    """Whether a request knows the token, names the served `place` (host:port) and comes from no other."""
    given = request.path.split("/")[1] if request.path.startswith("/") else ""
    knows = hmac.compare_digest(given.encode("utf-8"), token.encode("utf-8"))
    origins = request.headers.get_list("Origin")
    at_home = request.headers.get_list("Host") == [place]
    return knows and at_home and all(origin == f"http://{place}" for origin in origins)


class Served:
    """A page being served: `address` to open, `run` until `stop`. Raises `SearcherError` for a port taken."""

    def __init__(self, fill: Callable[[Document], None], *, port: int = 0) -> None:
        self.loop = IOLoop.current()
        try:
            listening = socket.create_server((HOST, port))
        except OSError as error:
            raise SearcherError(
                f"port {port} cannot be listened on: {error.strerror}", hint="Leave --port out for a free one"
            ) from error
        listening.setblocking(False)
        token = secrets.token_urlsafe(24)
        place = f"{HOST}:{listening.getsockname()[1]}"
        app = Guarded(
            {"/": Application(FunctionHandler(fill))},
            prefix=token,
            extra_websocket_origins=[place],
            use_index=False,
            secret_key=secrets.token_bytes(32),
            sign_sessions=True,
        )
        app.guard = lambda request: may_enter(request, token=token, place=place)
        web = HTTPServer(app)
        web.add_socket(listening)
        app.initialize(self.loop)
        self.server = BaseServer(self.loop, app, web)
        self.address = f"http://{place}/{token}/"

    def run(self) -> None:
        """Serve until stopped."""
        self.server.start()
        self.loop.start()

    def stop(self) -> None:
        """End serving, from a callback of the loop."""
        self.server.stop()
        self.loop.stop()
