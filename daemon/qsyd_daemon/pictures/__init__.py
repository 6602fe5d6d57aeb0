"""Pictures in SVG 1.1, written by hand: values in, one string out. Nothing here reads, writes or tells the time.

Every picture is `WIDTH` units wide and as long as it needs, so that on a phone a unit is about a pixel and nothing is below
`FONT_SMALL`. Dark ink on white; colour is only ever a second sign beside a shape, a line style, hatching or a word.
"""
