"""The demo bench: the Marram Point dune watch."""
