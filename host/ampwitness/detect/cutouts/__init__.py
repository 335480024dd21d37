"""Interruptions of the output: where, how, and what came first. What to read, in this order:

1. `cutouts` cuts windows into unbroken runs, lets each be followed, and weighs stops against each other;
   `cutout_told` makes findings of them.
2. Where the output stops and comes back: `cutout_candidates` finds where the output goes quiet,
   `cutout_watch` which of that are stops, `cutout_return` where it sounds again,
   `cutout_softer` whether the programme only went on more softly. Beside it run watches for what is no plain silence
   (`cutout_beside` is what they share): volts of a half-supply stage that sink (`cutout_bias`), steady volts out of
   silence (`cutout_dc_rise`) and under a programme (`cutout_dc_under`), breaks in a row (`cutout_stutter`), an output
   that no longer follows its source (`cutout_unlike`), hum of the mains (`cutout_hum`).
3. What is measured around a stop: numbers (`cutout_measure`), where a tone leaves its course (`cutout_departure`);
   when a slow one began (`cutout_fade`, in noise
   `cutout_noise`) and where a pop hides the end (`cutout_pop`); the source (`cutout_source`), the remote lead
   (`cutout_remote`, in words `cutout_remote_told`), steady volts (`cutout_dc`), what supply the output had outlived
   (`cutout_outlived`) or outlives later (`cutout_later`) and how high it had risen (`cutout_over`), whether the whole
   amplifier was lifted (`cutout_lift`) or all leads stepped down together (`cutout_common`), whether one terminal lies
   still (`cutout_terminal`) and how the current rose (`cutout_surge`).
4. What may have stopped it: `cutout_cause` asks in one order, `cutout_low` what the supply did, `cutout_ground` whether
   a ground went; `cutout_stood` says what stood at the output, `cutout_protection` which protection it is consistent
   with, `cutout_cranking` what the starter does by design.
5. From all stops together: at what supply this amplifier switches off (`cutout_level`), whether they are a
   protection that tries again (`cutout_retry`), whether they last equally long (`fixed_wait`) or lie on the music's
   beat (`beat`), and whether each came and went as the others (`cutout_siblings`).
6. Beside that: switching on and off (`turn_on`), silences that nothing explains (`silences`), short rests that the
   programme makes itself (`rests`), where the logger's own supply lead was off (`supply_lead`), what a gap hides
   of a return (`cutout_gap`) and of a stop (`cutout_in_gap`), and what a person marked (`mark_ties`).
"""
