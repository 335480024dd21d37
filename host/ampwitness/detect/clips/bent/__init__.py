"""Where tops are bent by what lies between the output stage and the terminals, and how to look ahead of it.

A coupling capacitor (`clip_coupled`), a resistance (`clip_drop`), a rippling supply (`clip_ripple`).
"""
