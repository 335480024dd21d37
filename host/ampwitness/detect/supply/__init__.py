"""The supply: its history, the engine's state, dips, and what it looks like from the amplifier. What to read, in this
order:

1. What is remembered of a recording: steps of 10 ms (`supply_history`).
2. What the engine did: `engine_states` puts together cranking (`cranking`), charging (`charging_changes`), what a
   cranking tells of all behind it (`behind_cranking`), and marks (`engine_marks`); `engine_channel` takes the battery's
   volts where a converter holds the supply; `states_in_doubt` says where the battery's kind or the system's volts leave
   it open, `engine_whine` what the alternator's ripple tells there; `charging_ended` how charging ended;
   `supply_states` tells rest from charging for the model, `lasting_steps` knows a weak charger by its step.
3. Dips, as they are counted (`dips`).
4. What the supply looks like from the amplifier: `supply_model` learns it for each state, at rest by `supply_fit`,
   charged by `supply_charging` (the model: `charging_model`), and what it settles at with the amplifier quiet by
   `settled_volts`, with a slow part that silence shows (`quiet_recovery`) and a slower one that the volts' drift shows
   (`slow_drift`); `demand_steps` says whether time constants can show.
5. What follows from it: ohms and their range (`supply_ohms`), a state in numbers (`supply_described`), what a full tone
   would do (`supply_forecast`), notes that sag beyond their own power (`sag_beyond`).
6. What findings say of it: figures by state (`state_summary`), the state on each finding (`stated_findings`), the
   engine's states beside those of the supply's own figures (`engine_beside`).
"""
