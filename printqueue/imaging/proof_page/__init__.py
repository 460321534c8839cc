"""The page of a proof picture, which lies beside every print and every picture that was turned back.

views.py      what the screen can show of a print: tones only, and on the paper's own white
page.py       a page of sRGB pixels: fields, pictures, words, lines
shapes.py     the marks, told apart by shape and by one of two inks
histogram.py  lightness before and on paper, with the paper's black and white
sheet.py      what stands where

Pure: pixels and words in, pixels out. To look at only: no pixel of a print comes from here.
"""
