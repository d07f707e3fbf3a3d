"""An add-on that raises when it is imported."""

raise RuntimeError("boom at import")
