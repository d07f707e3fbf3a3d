"""Optics: lens geometry, planes, corners, colour spaces, light readings."""
