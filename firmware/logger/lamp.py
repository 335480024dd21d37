"""What the lamp says, told apart without counting blinks."""

IDLE = 0  # a short blink every two seconds
STREAMING = 1  # slow, half on, half off
LOSING = 2  # fast: something was lost within the last two seconds
FAULT = 3  # two short blinks a second: the host is told why
TESTING = 4  # on

_PERIOD_MS = (2000, 1000, 200, 1000, 1000)


def is_on(state, now_ms):
    """Whether the lamp is lit at now_ms."""
    phase_ms = now_ms % _PERIOD_MS[state]
    if state == IDLE:
        return phase_ms < 60
    if state == STREAMING:
        return phase_ms < 500
    if state == LOSING:
        return phase_ms < 100
    if state == FAULT:
        return phase_ms < 100 or 200 <= phase_ms < 300
    return True
