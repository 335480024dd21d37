"""Names of sessions: every start of streaming gets a new one, so that no stale byte is taken for new data."""

TAG_MASK = 0x3FFF


class Session:
    """The running or last session.

    random_bytes: function(n) -> n unpredictable bytes, such as os.urandom
    tag: 14 bits, in every frame; 0 before the first start
    name: 8 hexadecimal digits, in the hello
    """

    def __init__(self, random_bytes):
        self._random_bytes = random_bytes
        self.tag = 0
        self.name = ""

    def begin(self):
        """Take a new tag and name, neither equal to the one before."""
        name = self.name
        while name == self.name:
            name = "".join("%02x" % byte for byte in self._random_bytes(4))
        drawn = self._random_bytes(2)
        tag = (drawn[0] | drawn[1] << 8) & TAG_MASK
        while tag == 0 or tag == self.tag:
            tag = (tag + 1) & TAG_MASK
        self.tag = tag
        self.name = name
