"""Debian's Chromium: tests without it are skipped on a user's machine, an error in CI."""

from __future__ import annotations

import os
import shutil

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
MISSING = CHROMIUM is None and not os.environ.get("CI")


def need_chromium():
    """Skip the module that calls this where there is no Chromium."""
    if MISSING:
        pytest.skip("Chromium is not installed", allow_module_level=True)
