"""A door for add-ons: what they need of `seeworthy.ground.errors` under its old name."""

from seeworthy.ground.errors import *  # noqa: F403
