"""The engine: runs procedures, in worker processes."""
