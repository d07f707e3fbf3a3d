"""Targets: printed and on-screen, and finding them in a picture."""
