"""Correction: what post can mend, from measured results.

Distortion, fall-off and tint of the lens, and colour. What a camera did not record (blur,
clipped light, a shutter that rolls) no correction brings back.
"""
