"""How sure a reading is, and what may be decided with it. Standard library only.

`budget` what it is made of, several readings as one · `disk` probabilities in two directions ·
`decision` plumb, out, too close to call, and what settles it.
"""
