"""Correction: what post can mend, from measured results and from the clip itself.

Distortion, fall-off and tint of the lens, colour; rows that a rolling shutter moved, a stamp
burned in. What a camera did not record (blur, clipped light) no correction brings back.
"""
