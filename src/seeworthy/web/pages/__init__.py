"""The pages: one router per screen."""

from __future__ import annotations

from fastapi import APIRouter

from seeworthy.web.pages.camera import router as _camera
from seeworthy.web.pages.card import router as _card
from seeworthy.web.pages.frames import router as _frames
from seeworthy.web.pages.home import router as _home
from seeworthy.web.pages.judge import router as _judge
from seeworthy.web.pages.mend import router as _mend
from seeworthy.web.pages.plan import router as _plan
from seeworthy.web.pages.procedure import router as _procedure
from seeworthy.web.pages.publish import router as _publish
from seeworthy.web.pages.purpose import router as _purpose
from seeworthy.web.pages.reports import router as _reports
from seeworthy.web.pages.running import router as _running
from seeworthy.web.pages.settings import router as _settings
from seeworthy.web.pages.shoot import router as _shoot
from seeworthy.web.pages.take import router as _take
from seeworthy.web.pages.targets import router as _targets
from seeworthy.web.pages.upload import router as _upload

ROUTERS: tuple[APIRouter, ...] = (
    _home,
    _camera,
    _procedure,
    _take,
    _frames,
    _running,
    _upload,
    _judge,
    _plan,
    _purpose,
    _mend,
    _shoot,
    _card,
    _targets,
    _publish,
    _reports,
    _settings,
)
