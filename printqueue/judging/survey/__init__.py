"""All measurements of one picture for one print: few passes over the pixels, shared by all checks.

first.py    every row once, at the file's own pixels: levels, a small working copy, a sample of tiles
header.py   what is known without pixels
native.py   what lies in the pixel grid itself, on the tiles; the same for every print
tones.py    tones and colours of the delivered picture and of its proof, on the working copy
printed.py  what must be judged at the size of the print, on bands at print scale

The numbers go to the checks; no limit is known here. A new number is a function in `measures/`, its name in
`core/model/measures` and its line in one of these files.
"""
