"""The table that all passes on, a row for each half-cycle that might be clipped, and where its rows come from.

Windows of any length become stretches on a fixed grid (`clip_stream`), about the volts at which the output stands
(`standing_volts`); a screen says which crests may be cut off
(`clip_screen`); `clip_candidates` is the table, `clip_rows` makes rows of plain measurements.
"""
