"""Ranges of frames about which a measure says why it cannot know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Frames `first` to `last`, both included, and the reason."""

    first: int
    last: int
    reason: str

    def holds(self, frame: int) -> bool:
        """Tell whether a frame lies in the span."""
        return self.first <= frame <= self.last


def merge_spans(spans: Iterable[Span], near: int = 0) -> tuple[Span, ...]:
    """Join spans of one reason that overlap or lie at most `near` frames apart."""
    merged: list[Span] = []
    ordered = sorted(spans)
    for reason in dict.fromkeys(s.reason for s in ordered):
        open_span: Span | None = None
        for span in (s for s in ordered if s.reason == reason):
            if open_span and span.first <= open_span.last + 1 + near:
                last = max(open_span.last, span.last)
                open_span = Span(open_span.first, last, reason)
            else:
                if open_span:
                    merged.append(open_span)
                open_span = span
        if open_span:
            merged.append(open_span)
    return tuple(sorted(merged))
