"""Pages: the bench in a browser; no arithmetic."""
