"""Seeworthy: the test bench for small flying cameras.

The package is built in floors; a room imports only from floors below its own
(see ``docs/design.md``). Importing this module costs nothing.
"""

__version__ = "0.1.0"
