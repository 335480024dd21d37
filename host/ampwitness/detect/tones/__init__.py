"""A steady tone whose gain is turned: levels, distortion, and the level of the edge."""
