"""Reading a picture from an open descriptor: recognised, bounded, proven whole, then given in bands.

Four questions are asked, each of its own module: `whole.probe`, whether the file has arrived whole (nothing is
decoded); `opening.open_picture`, its facts and its pixels; `cost.decoding_bytes`, how much memory reading the pixels
takes; and, of the error, whether it is an `errors.EmptyTailError`, which the photographer's `allow: [whole]` may
overrule. Nothing is imported here: `errors` and `reader` stay light for those who never look at a pixel.
"""
