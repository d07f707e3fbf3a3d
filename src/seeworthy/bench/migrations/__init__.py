"""How the tables of a bench came to be, step by step (Alembic)."""
