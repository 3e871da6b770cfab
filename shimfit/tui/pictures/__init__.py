"""Pictures made of characters: plain functions from model values to a Canvas, no terminal library.

Orientation, everywhere: seen from above, next is right, prev is left, out is up, house is down; so a
pack is always drawn on the side that the top leans to.
"""
