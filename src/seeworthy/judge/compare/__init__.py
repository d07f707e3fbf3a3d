"""Comparison: claims against figures, cameras against cameras."""
