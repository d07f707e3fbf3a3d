"""A door for add-ons: what they need of `seeworthy.ground.measurands` under its old name."""

from seeworthy.ground.measurands import *  # noqa: F403
