"""Where tops are bent by what lies between the output stage and the terminals, and how to look ahead of it.

A coupling capacitor (`clip_coupled`), a resistance (`clip_drop`), a rippling supply (`clip_ripple`); tops that follow a
measured supply are fitted with it taken off (`clip_course`, `ceiling_course`).
"""
