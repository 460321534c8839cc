"""Reading a picture from an open descriptor: identify it, bound it, prove it whole, then hand it out in bands.

Each of four questions has its own module. `whole.probe`: has the file arrived whole? (It decodes nothing.)
`opening.open_picture`: what are its facts and its pixels? `cost.decoding_bytes`: how much memory does reading the
pixels take? `errors.EmptyTailError`: is this the error that the photographer's `allow: [whole]` may overrule?
Nothing is imported here, so that `errors` and `reader` stay light for code that never looks at a pixel.
"""
