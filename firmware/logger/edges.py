"""Digital lines: which of them changed since they were last looked at."""


class Lines:
    """Levels of the lines given as (role, pin, threshold), as config.DIGITAL has them."""

    def __init__(self, lines):
        self._pins = tuple(line[1] for line in lines)
        self.levels = bytearray(len(lines))
        self.n_lines = len(lines)

    def read_all(self, pins):
        """Take the levels as they are now, without calling them changes."""
        for k in range(self.n_lines):
            self.levels[k] = 1 if pins.level(self._pins[k]) else 0

    def is_changed(self, k, pins):
        """Read line k; True when its level is another than before. Allocates nothing."""
        return self.is_other(k, 1 if pins.level(self._pins[k]) else 0)

    def is_other(self, k, level):
        """Take `level` (0 or 1) for line k; True when it is another than before. Allocates nothing."""
        if level == self.levels[k]:
            return False
        self.levels[k] = level
        return True
