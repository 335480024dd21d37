"""What is known of a recording's ceilings: learned from plateaus (`rail_model`), from what is plain by itself
(`clip_plain`), or piles up (`clip_pile`), or of few (`few_plateaus`).

What no ceiling explains: `clip_refuted`, `clip_source`; what one does explain there: `clip_shared_top`. How one
follows the supply: `clip_follows`. Room to it where nothing clipped: `headroom`.
"""
