"""The page of a proof picture, which accompanies every print and every picture that was turned back.

views.py      what the screen can show of a print: tones only, and on the paper's own white
page.py       a page of sRGB pixels: fields, pictures, words, lines
shapes.py     the marks, distinguished by shape and one of two inks
histogram.py  lightness before and on paper, with the paper's black and white
sheet.py      the layout

Pure: pixels and words in, pixels out. For looking only: no pixel of a print comes from here.
"""
