"""Correction: what post can mend, from measured results."""
