"""A recording in the formats of other programs: WAV, CSV, NPZ, MDF. Gaps are told, never filled."""
