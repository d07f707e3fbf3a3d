"""What the routes are handed: the site, the open bench, a form as typed."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from seeworthy.bench.store import Bench
from seeworthy.ground.errors import WrongCall
from seeworthy.web.site import Site

_MOST_FIELDS = 2000  # of a form: 500 clips with four fields each
_MOST_FILES = 500  # of a form, as many as uploads that may be open


def the_site(request: Request) -> Site:
    """Return what the server shares."""
    site: Site = request.app.state.site
    return site


def the_bench(request: Request) -> Bench:
    """Return the open bench; NotFound where there is none yet."""
    return the_site(request).bench


async def the_form(request: Request) -> Form:
    """Read a form. Files come in pieces before it; where the page's script does not run they
    come with it, as fields ``plain.NAME``, and are tickets of ``file.NAME`` from here on.
    """
    data = await request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS)
    form = Form(data)
    request.state.form = form  # an error gives it back as typed
    try:
        for name, part in data.multi_items():
            if isinstance(part, UploadFile) and part.filename:
                ticket = await run_in_threadpool(_keep, the_site(request), part)
                to = "file" if name == "plain" else f"file.{name.removeprefix('plain.')}"
                form.add(to, ticket)
    finally:
        await data.close()  # the parts lie in temporary files
    return form


def _keep(site: Site, part: UploadFile) -> str:
    site.bench.require_writable()
    return site.uploads.keep(part.filename or "", part.file)


class Form:
    """A form as typed: text only."""

    def __init__(self, data: FormData) -> None:
        self._pairs = [(k, v.strip()) for k, v in data.multi_items() if isinstance(v, str)]

    def add(self, name: str, value: str) -> None:
        """Add what came in another way."""
        self._pairs.append((name, value))

    def get(self, name: str, default: str = "") -> str:
        """Return the last value of a field."""
        found = [v for k, v in self._pairs if k == name]
        return found[-1] if found else default

    def all(self, name: str) -> list[str]:
        """Return the values of a field that say something, in order."""
        return [v for k, v in self._pairs if k == name and v]

    def named(self, prefix: str, *, keep_empty: bool = False) -> dict[str, list[str]]:
        """Return fields ``prefix.NAME`` by name; an empty field counts only where asked for."""
        found: dict[str, list[str]] = {}
        for key, value in self._pairs:
            if key.startswith(f"{prefix}."):
                values = found.setdefault(key.removeprefix(f"{prefix}."), [])
                if value:
                    values.append(value)
        return {k: v for k, v in found.items() if v or keep_empty}

    def pairs(self) -> list[tuple[str, str]]:
        """Return all fields as typed."""
        return list(self._pairs)

    def number(self, name: str) -> int:
        """Return a field as a whole number.

        Raises:
            WrongCall
        """
        text = self.get(name)
        if not text.isdecimal() or len(text) > 12:
            raise WrongCall(f"'{name}' is not a whole number.", "Go back and try again.")
        return int(text)


def go(address: str) -> RedirectResponse:
    """Send the browser on after a change, so that reloading does not repeat it."""
    return RedirectResponse(address, status_code=303)


TheSite = Annotated[Site, Depends(the_site)]
TheBench = Annotated[Bench, Depends(the_bench)]
TheForm = Annotated[Form, Depends(the_form)]
