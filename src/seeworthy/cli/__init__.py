"""Command line: words in, calls of lower floors, words out; no arithmetic."""
