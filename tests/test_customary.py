"""Figures in sentences, in US customary units. Factors: NIST SP 811, appendix B."""

from __future__ import annotations

import pytest

from seeworthy.ground.customary import customary_text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # 1 ft = 0.3048 m exactly: 25.2 m = 82.677 ft, 0.8 m = 2.62 ft
        ("width 25.2 ± 0.8 m.", "width 82.7 ± 2.6 ft (25.2 ± 0.8 m)."),
        ("23.5 to 26.9 m", "77.1 to 88.3 ft (23.5 to 26.9 m)"),
        ("at 20 °C", "at 68 °F (20 °C)"),
        ("at −15 °C", "at 5 °F (−15 °C)"),
        ("at −30 °C", "at −22 °F (−30 °C)"),
        # A difference of temperature has no 32 in it.
        ("12 min shorter for every 10 °C colder", "12 min shorter for every 18 °F (10 °C) colder"),
        ("20 ± 2 °C", "68 ± 4 °F (20 ± 2 °C)"),
        ("mass: 17.20 ± 0.13 g", "mass: 0.6067 ± 0.0046 oz (17.20 ± 0.13 g)"),
        ("peak load 6.2 g", "peak load 6.2 g"),  # no mass
        ("11.2 m/s", "25.1 mph (11.2 m/s)"),  # 1 mi = 1609.344 m
        ("58.8 m/s2", "192.9 ft/s² (58.8 m/s2)"),
        ("300 lx", "27.9 fc (300 lx)"),  # 1 fc = 10.7639 lx
        ("76 mm wide", "2.99 in (76 mm) wide"),
        ("focal length 3.2 mm", "focal length 3.2 mm"),
        ("9.3 ms, 29 min, 3 Mbit/s, 4 m2", "9.3 ms, 29 min, 3 Mbit/s, 4 m2"),
        ("typed as '3 m', read as 3.00 m", "typed as '3 m', read as 9.84 ft (3.00 m)"),
        ("60 in is 1.524 m", "60 in is 1.524 m"),  # it is there already
        ("version 1.2.3 m", "version 1.2.3 m"),
    ],
)
def test_a_sentence_in_customary_units(text, said):
    assert customary_text(text) == said
