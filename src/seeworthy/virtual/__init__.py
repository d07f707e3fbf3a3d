"""The virtual camera: renders clips and logs with known truth.

It shares no code with the measures that it judges.
"""
