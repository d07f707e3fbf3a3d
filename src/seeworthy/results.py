"""A door for add-ons: what they need of `seeworthy.ground.results` under its old name."""

from seeworthy.ground.results import *  # noqa: F403
