"""The bench: store, evidence, cameras, takes."""
