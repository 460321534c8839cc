"""Reading a picture from an open descriptor: recognised, bounded, proven whole, then given in bands.

`probe` asks whether the file has arrived whole, without decoding it;
`open_picture` gives its facts and its pixels; `empty_tail` is the one test that
an artist's `allow: [whole]` may overrule, and that `open_picture` leaves out;
`decoding_bytes` says what reading the pixels will take in memory.
"""

from printqueue.decode._bounds import Bounds
from printqueue.decode.cost import decoding_bytes
from printqueue.decode.errors import EmptyTailError
from printqueue.decode.opening import empty_tail, open_picture, probe

__all__ = ["Bounds", "EmptyTailError", "decoding_bytes", "empty_tail", "open_picture", "probe"]
