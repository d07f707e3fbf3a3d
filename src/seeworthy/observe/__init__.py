"""Frame observers: each begins, sees frames, finishes; and what marks and shows what they saw."""
