"""Time on a board whose tick counters wrap at 2**30 and whose small integers end there too."""

TICKS_MASK = 0x3FFFFFFF


def elapsed(now, then):
    """Ticks from `then` to `now`, both modulo 2**30; right while less than 2**30 ticks have passed."""
    return (now - then) & TICKS_MASK


class Uptime:
    """Time since construction as `seconds` and `milliseconds`, without large numbers: 2**30 s are 34 years."""

    def __init__(self, now_ms):
        self.seconds = 0
        self.milliseconds = 0
        self._then_ms = now_ms & TICKS_MASK

    def update(self, now_ms):
        """Count the time since the last call; at least one call a week keeps it right."""
        passed_ms = elapsed(now_ms & TICKS_MASK, self._then_ms)
        self._then_ms = now_ms & TICKS_MASK
        if passed_ms < 0x20000000:  # not a clock that was set back a little
            self.milliseconds += passed_ms
        self.seconds += self.milliseconds // 1000
        self.milliseconds %= 1000


class Every:
    """Says when a period has passed; late calls do not pile up."""

    def __init__(self, period_ms, now_ms):
        self._period_ms = period_ms
        self._then_ms = now_ms & TICKS_MASK

    def restart(self, now_ms):
        """Count from now."""
        self._then_ms = now_ms & TICKS_MASK

    def make_due(self, now_ms):
        """Let is_due() be true at once."""
        self._then_ms = (now_ms - self._period_ms) & TICKS_MASK

    def is_due(self, now_ms):
        """True once the period has passed; call done() then."""
        return elapsed(now_ms & TICKS_MASK, self._then_ms) >= self._period_ms

    def done(self, now_ms):
        """Start the next period, in step with the last one unless that is long past."""
        then_ms = (self._then_ms + self._period_ms) & TICKS_MASK
        if elapsed(now_ms & TICKS_MASK, then_ms) >= self._period_ms:
            then_ms = now_ms & TICKS_MASK
        self._then_ms = then_ms
