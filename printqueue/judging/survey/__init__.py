"""All measurements of one picture for one print: a few passes over the pixels, shared by all checks.

first.py    every row once, at full resolution: levels, a small working copy, a sample of tiles
header.py   what is known without pixels
native.py   what lies in the pixel grid itself, on the tiles; the same for every print
tones.py    tones and colours of the delivered picture and its proof, on the working copy
printed.py  what has to be measured at the size of the print, on bands at print scale

The numbers go to the checks; nothing here knows a limit. To add a number, write a function in `measures/`, name it in
`core/model/measures` and add a line to one of these files.
"""
