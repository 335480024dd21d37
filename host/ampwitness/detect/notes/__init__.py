"""Bass notes: where each begins and ends, its pitch, and what the supply does under it. What to read, in this order:

1. `notes` drives it all: windows become unbroken runs in blocks (`note_runs`), cut down to 1000 samples a second and
   less (`note_decimate`); `note_walk` follows the notes of a run, one `sounding_note` after the other, and sums them
   up (`note_sums`); what was measured becomes columns (`note_table`). In steady noise looking rests (`noise_rest`).
2. Where a note may begin: `note_levels` (level rises, pitch turns) and `note_jumps` (phase jumps) name places,
   `note_places` asks each of them.
3. When it begins there: where the waveform leaves what went on before (`note_departure`, with `note_products`),
   corners out of silence (`note_knees`), swells (`note_swell`).
4. What is no beginning: a note that goes on with vibrato or tremolo (`note_break`), one that is let go
   (`note_damping`) or ends beside another (`note_leaving`), a turn that leads to no other pitch (`note_turns`).
5. Whether it is a bass note, and of which pitch: `note_judge`, from its spectrum (`note_spectrum`), its parts
   (`note_parts`), straightened where the pitch slides (`note_glide`), or over an older one that sounds on
   (`note_beside`); what is struck and dies away is a beat without a pitch (`note_drum`).
6. The supply under it: `note_supply`, from `note_sag` and `note_recovery`; where the logger could not
   see it: `note_saturated`.
"""
