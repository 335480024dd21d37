"""The button: one mark a press, whatever the contact does while it closes and opens."""

from logger.clock import elapsed

RELEASE_MS = 40  # a press counts as over once the contact stayed open this long


class Button:
    """Tell presses from bounces."""

    def __init__(self):
        self._is_down = False
        self._open_since_ms = 0

    def is_new_press(self, pressed, now_ms):
        """True the moment a press is first seen; `pressed` is the contact as read now."""
        if pressed:
            is_new = not self._is_down
            self._is_down = True
            self._open_since_ms = now_ms
            return is_new
        if self._is_down and elapsed(now_ms, self._open_since_ms) >= RELEASE_MS:
            self._is_down = False
        return False
