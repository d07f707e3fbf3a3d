"""The bench clock: its code, finding and reading it in a clip."""
