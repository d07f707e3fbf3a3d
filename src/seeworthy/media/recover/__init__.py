"""Recovery of a clip whose index was never written, with the help of a good one.

A recorder writes pictures and sound as they come and the index (``moov``) last. When power dies the
media data is there and the index is not. A finished clip of the same camera and mode tells how the
data is laid out: codec parameters, size of the NAL length fields, kind of sound, frame duration.
With them the data is walked and a new file is written; the original is only read.
"""

from seeworthy.media.recover.rebuild import Recovered, recover

__all__ = ["Recovered", "recover"]
