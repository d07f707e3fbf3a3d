"""The media floor: containers, packets, frames in one pass, stills, sound, logs, writing clips.

Nothing here measures; it hands out what the files hold, with the file's own
integer time stamps and tags. PyAV does the decoding.
"""
