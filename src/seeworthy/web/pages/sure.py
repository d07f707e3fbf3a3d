"""Before something is lost: a question before it goes, and a form given back as typed."""

from __future__ import annotations

from typing import Any

from fastapi import Request, Response
from fastapi.responses import HTMLResponse

from seeworthy.web.again import refill
from seeworthy.web.context import SurePage
from seeworthy.web.deps import Form
from seeworthy.web.render import show
from seeworthy.web.words import plain


def filled(
    shown: Any, request: Request, form: Form, message: str, hint: str, at: str, status: int
) -> Response | None:
    """Return a page with its form as it was typed, None where the form is not on it."""
    page = shown.body.decode("utf-8")
    text = refill(page, request.url.path, form.pairs(), plain(message), plain(hint), at)
    return None if text is None else HTMLResponse(text, status)


def ask(request: Request, form: Form, words: str, button: str, back: str) -> Response | None:
    """Return the question before something goes for good, None where it was answered with yes.

    A page of its own and no window of the browser's, so that it works without script.
    """
    if form.get("sure") == "yes":
        return None
    typed = [pair for pair in form.pairs() if pair[0] != "sure"]
    return show(request, SurePage(words, button, request.url.path, back, typed))
