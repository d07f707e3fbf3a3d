"""Where a refused form comes back: its own page, as typed."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from fastapi import Request, Response

from seeworthy.ground.errors import SeeworthyError
from seeworthy.web.deps import Form
from seeworthy.web.pages.camera import camera_page
from seeworthy.web.pages.home import home
from seeworthy.web.pages.settings import settings_page
from seeworthy.web.pages.sure import filled
from seeworthy.web.site import Site

# Address of a form, the page that holds it, the field that its errors are about.
_FORMS: tuple[tuple[str, Callable[..., Response], str], ...] = (
    (r"/cameras", home, "name"),
    (r"/cameras/(\d+)", camera_page, "name"),
    (r"/cameras/(\d+)/claims", camera_page, "text"),
    (r"/cameras/(\d+)/listing", camera_page, "listing"),
    (r"/cameras/(\d+)/units", camera_page, "serial"),
    (r"/cameras/(\d+)/firmware", camera_page, "firmware"),
    (r"/cameras/(\d+)/remove", camera_page, "sure"),
    (r"/restore", settings_page, "name"),
)


def come_back(request: Request, site: Site, error: SeeworthyError) -> Response | None:
    """Return the page of the form that was refused, None where there is none to go back to."""
    form: Form | None = getattr(request.state, "form", None)
    if request.method != "POST" or form is None:
        return None
    for pattern, page, at in _FORMS:
        found = re.fullmatch(pattern, request.url.path)
        if found:
            shown: Any = page(request, site, *(int(n[:12]) for n in found.groups()))
            return filled(shown, request, form, error.message, error.hint, at, error.http_status)
    return None
