"""Help: cautions first, then the words, what each workload catches and cannot catch, and the documents themselves."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response
from starlette.routing import Route

from soakd.web import guide
from soakd.web.pages.frame import show
from soakd.web.problems import ProblemError
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from starlette.requests import Request

    from soakd.web.guide import Document

_CAUTIONS, _WORDS = "cautions", "words"
_ABOUT: Final = {
    "page": "opening it, from another machine too, and what is where",
    "plans-and-sheets": "every key, with what it is for",
    "first-trial": "a first trial, typed out",
    "verdict": "outcomes, rules, and what limits the meaning of a pass",
    "evidence": "demonstrated, fast, hot, electrical: formulas, sources, how often they hold",
    "workloads": "how a core proves itself, and what no workload here can find",
    "leads": "where to look next, and how sure",
    "virtual-bench": "a night rehearsed in seconds, on a model",
    "guard": "what stops the load, how fast, measured",
    "sensors": "what is read, from where, and what it cannot tell",
    "daemon": "queue, alarm, service",
    "first-night": "a first night with the daemon, typed out",
    "series": "one plan, many sheets",
    "telling": "who is told of what, and what is kept how long",
    "api": "everything that this page does, for programs",
    "plugins": "sensors and workloads of your own",
}
"""In reading order; a document that is not named here comes last, with its own first sentence."""


def _parts() -> tuple[Document, Document]:
    return (
        guide.document(_CAUTIONS, shift=1, prefix="cautions-"),
        guide.document(_WORDS, shift=1, prefix="words-"),
    )


def _guides() -> list[tuple[Document, str]]:
    order = [*_ABOUT, *(name for name in guide.names() if name not in {*_ABOUT, _CAUTIONS, _WORDS})]
    documents = (guide.document(name) for name in order if name in guide.names())
    return [(each, _ABOUT.get(each.name, each.about)) for each in documents]


async def _help(request: Request) -> Response:
    cautions, words = await run_in_threadpool(_parts)
    guides = await run_in_threadpool(_guides)
    values: dict[str, Any] = {"cautions": cautions, "words": words, "kinds": KINDS, "guides": guides}
    return show(request, "help.html", title="Help", **values)


async def _document(request: Request) -> Response:
    name = request.path_params["doc"]
    try:
        found = await run_in_threadpool(guide.document, name)
    except KeyError:
        raise ProblemError(
            HTTPStatus.NOT_FOUND, "usage", f"there is no document {name!r}", hint="/help lists them"
        ) from None
    return show(request, "help-document.html", title=found.title, document=found)


async def _file(request: Request) -> Response:
    found = await run_in_threadpool(guide.attachment, request.path_params["name"])
    if found is None:
        return Response(status_code=int(HTTPStatus.NOT_FOUND))
    return Response(found[0], media_type=found[1])


HELP: Final = (
    Route("/help", _help, methods=["GET"]),
    Route("/help/files/{name}", _file, methods=["GET"]),
    Route("/help/{doc}", _document, methods=["GET"]),
)
