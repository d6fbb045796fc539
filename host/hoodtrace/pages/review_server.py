"""Serve the page of a review on this machine: what it draws with, what a person changes, and why a reading is as it is.

A few routes behind the `Guard`; everything that is not in the visit's folder stays untouched. The traces are read in a
thread while the page is there already. What can't be done is an answer with a text, never a traceback.
"""

from __future__ import annotations

import html
import json
import logging
import mimetypes
import string
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from hoodtrace.board.time_of_day import utc_text
from hoodtrace.errors import FileError, HoodtraceError
from hoodtrace.pages.guard import Guard
from hoodtrace.pages.review_asked import MOST_BYTES, Malformed, asked, stretch
from hoodtrace.pages.server import HERE, STATIC, listener_at, run
from hoodtrace.reporting.texts import Words

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

    from hoodtrace.dwelling.review import Review

GROUPS = ("review", "language", "flag", "direction")
"""Of the texts: those that the page gets."""
WAIT_S = 1.0
"""So long a page waits at most for a trace that is being read."""
CONTENT = "; ".join(
    (
        "default-src 'self'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
"""Tighter than the guard's: this page has no script but its own files."""


def serve_review(
    review: Review,
    port: int = 8138,
    language: str | None = None,
    open_browser: bool = True,
    tell: Callable[[str], None] = print,
) -> None:
    """Load the visit's traces and serve its page until Ctrl-C.

    Parameters
    ----------
    review : Review
        Not loaded yet.
    port : int
        0 takes any free one.
    language : str or None
        None: that of the system.
    open_browser : bool
    tell : callable
        Gets the lines for the person at the terminal.

    Raises
    ------
    UsageError
        The port is taken.
    """
    listener = listener_at(HERE, port)
    pages = ReviewPages(review, Words(language))
    # First of all: reading takes longer than everything else together.
    threading.Thread(target=pages.load, daemon=True).start()
    run(Guard(pages.app(), pages.words), listener, pages.words, open_browser, tell, "none")


class ReviewPages:
    """The routes of one review.

    Parameters
    ----------
    review : Review
    words : Words
    """

    def __init__(self, review: Review, words: Words) -> None:
        self.review, self.words = review, words
        self._changing = threading.Lock()
        self._n_loaded = 0
        self._more = threading.Condition()
        self._stopped = ""

    def load(self) -> None:
        """Read the traces; what stops it is told on the page."""
        try:
            self.review.load(self._loaded)
        except HoodtraceError as error:
            self._stopped = str(error)
        except Exception:  # a mistake of the program: said where the person looks, and in the terminal
            logging.getLogger(__name__).exception("the traces could not be read")
            self._stopped = self.words("review.broken")
        self._loaded()

    def app(self) -> Starlette:
        """Return the application that the guard stands before."""
        from starlette.applications import Starlette
        from starlette.routing import Mount, Route
        from starlette.staticfiles import StaticFiles

        mimetypes.add_type("text/javascript", ".js")  # some machines' registries say plain text
        routes = [
            Route("/", self._page),
            Route("/review/state", self._state),
            Route("/review/version", self._version),
            Route("/review/series", self._series),
            Route("/review/why", self._why),
            Route("/review/preview", self._preview, methods=["POST"]),
            Route("/review/change", self._change, methods=["POST"]),
            Route("/review/undo", self._undo, methods=["POST"]),
            Route("/review/redo", self._redo, methods=["POST"]),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        return Starlette(routes=routes)

    def _loaded(self) -> None:
        with self._more:
            self._n_loaded += 1
            self._more.notify_all()

    # ---- what is drawn

    async def _page(self, _: Request) -> Response:
        from starlette.responses import HTMLResponse

        texts = self.words.of(*GROUPS)
        page = string.Template((STATIC / "review" / "page.html").read_text(encoding="utf-8")).substitute(
            language=self.words.language,
            title=html.escape(self.words("review.title")),
            # Inside a script element only these could end it.
            words=json.dumps(texts, ensure_ascii=False).replace("<", "\\u003c"),
        )
        return HTMLResponse(page, headers={"cache-control": "no-store", "content-security-policy": CONTENT})

    async def _state(self, _: Request) -> Response:
        return await self._answer(lambda: self._with_stop(self.review.state()))

    async def _version(self, request: Request) -> Response:
        """Return what tells a page whether to ask for the state; `after=N` waits until more than that was read."""
        after = request.query_params.get("after", "")

        def short() -> dict[str, Any]:
            if after.isdecimal() and len(after) < 9:
                with self._more:
                    self._more.wait_for(lambda: self._n_loaded > int(after), WAIT_S)
            review = self.review
            found = self._with_stop({"loading": review.loading, "problems": review.problems()})
            n_problems = len(found["problems"])
            return {"version": review.version, "loading": found["loading"], "problems": n_problems, "n": self._n_loaded}

        return await self._answer(short)

    def _with_stop(self, state: dict[str, Any]) -> dict[str, Any]:
        if not self._stopped:
            return state
        return {
            **state,
            "loading": {**state["loading"], "done": True},
            "problems": [*state["problems"], {"where": "", "text": self._stopped}],
        }

    async def _series(self, request: Request) -> Response:
        return await self._answer(lambda: self.review.series(*stretch(request.query_params)))

    async def _why(self, request: Request) -> Response:
        return await self._answer(lambda: self._explained(request.query_params.get("id", "")[:200]))

    def _explained(self, name: str) -> dict[str, Any]:
        from hoodtrace.dwelling.why import why_json
        from hoodtrace.reporting.why_picture import budget_picture, correlation_picture

        found = self.review.why(name)
        pictures = {"picture_svg": budget_picture(found), "correlation_svg": correlation_picture(found)}
        return {**why_json(found), **{key: picture.decode("utf-8") for key, picture in pictures.items()}}

    # ---- what is changed

    async def _preview(self, request: Request) -> Response:
        return await self._posted(request, lambda got: self.review.preview(got.change))

    async def _change(self, request: Request) -> Response:
        return await self._posted(request, lambda got: self.review.change(got.change, utc_text(), got.version))

    async def _undo(self, request: Request) -> Response:
        return await self._posted(request, lambda got: self.review.undo(utc_text(), got.version), False)

    async def _redo(self, request: Request) -> Response:
        return await self._posted(request, lambda got: self.review.redo(utc_text(), got.version), False)

    async def _posted(self, request: Request, then: Callable[..., Any], with_change: bool = True) -> Response:
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MOST_BYTES:
                break

        def work() -> Any:
            got = asked(request.headers.get("content-type", ""), body, with_change)
            with self._changing:
                return then(got)

        return await self._answer(work)

    async def _answer(self, work: Callable[[], Any]) -> Response:
        """Return what the work gives, or why it gives nothing."""
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import Response

        status, found = 200, None
        try:
            found = await run_in_threadpool(work)
        except Malformed as error:
            status, found = 422, {"refused": str(error)}
        except FileError as error:
            status, found = 503, {"refused": str(error)}
        except HoodtraceError as error:
            status, found = 409, {"refused": str(error)}
        except Exception:  # a mistake of the program, kept for whoever looks for it with the log on
            logging.getLogger(__name__).debug("a request could not be answered", exc_info=True)
            status, found = 500, {"refused": self.words("review.broken")}
        head = {"cache-control": "no-store"}
        if isinstance(found, bytes):
            return Response(found, status, head, "application/octet-stream")
        text = json.dumps(found, ensure_ascii=False, allow_nan=False)
        return Response(text.encode(), status, head, "application/json")
