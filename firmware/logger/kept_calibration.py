"""The measured calibration that the board keeps for the host: figures for each channel, from a meter, with a date.

The board does not use it. It stands in the hello, so that a board brings its calibration along to any computer. What
the host sends is checked when it comes, and once more when it is read back from the flash after a reset.
"""

import json

from logger import hello

PAYLOAD_BYTES_MOST = 480  # of the command
FILE_BYTES_MOST = 2048
METER_LETTERS_MOST = 60
# Our choice: wide enough for any network of the drawn kind, too narrow for another role's figures or a slipped digit.
GAIN_RATIO_MOST = 2.0  # of the nominal gain, or its inverse
OFFSET_SHARE_MOST = 0.25  # of the input's whole range, away from the nominal offset; the uncertainty's limit too
_NUMBERS = ("gain_v_per_code", "offset_v", "uncertainty_v")
_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


class KeptCalibration:
    """What is kept for each role.

    config: board_config. load: function -> the file's text, empty where there is none. save: function(text); both may
    raise OSError. `remark` is a sentence for the hello, empty where all is well.
    """

    def __init__(self, config, load, save):
        self._config = config
        self._save = save
        self._entries = {}  # role -> the entry's members, as they stand in the file
        self.remark = ""
        try:
            text = load()
            if text:
                self._read_back(text)
        except (OSError, ValueError, MemoryError) as error:
            self._entries = {}
            self.remark = "The kept calibration is not used: " + (str(error) or "the file cannot be read") + "."

    def _read_back(self, text):
        if len(text) > FILE_BYTES_MOST:
            raise ValueError("the file is too long")
        entries = _parse(text)
        if not isinstance(entries, dict):
            raise ValueError("the file is no JSON object")
        left_out = []
        for role in entries:
            entry = entries[role]
            if not isinstance(entry, dict):
                raise ValueError("the file is damaged at '%s'" % role)
            if self._is_ours(role, entry):
                refusal = find_refusal(self._config, role, entry)
                if refusal:
                    left_out.append(role)
                    continue
            self._entries[role] = entry
        if left_out:
            # The input's network was changed after the measurement, say.
            self.remark = "The kept calibration of %s does not fit its input and is not used." % ", ".join(left_out)

    def _is_ours(self, role, entry):
        return (role, entry.get("pin")) in [tuple(channel) for channel in self._config.CHANNELS]

    def take(self, text, find_no_room=None):
        """Keep what a command says; returns (role or "", why not or "").

        text: {"role": ..., "gain_v_per_code": ..., "offset_v": ..., "uncertainty_v": ..., "made_on": "YYYY-MM-DD",
        "meter": ...} and, if wanted, "gain_uncertainty_ratio"; or {"role": ..., "forget": true}.
        find_no_room: function -> why what would be kept now cannot be; "" where it can.
        """
        try:
            told = _parse(text)
        except ValueError as error:
            return "", "The calibration is not kept: %s." % error
        role = told.get("role") if isinstance(told, dict) else None
        if not isinstance(role, str):
            return "", "The calibration is not kept: it does not say for which role."
        pins = [pin for name, pin in self._config.CHANNELS if name == role]
        if told.get("forget") is not True:
            refusal = find_refusal(self._config, role, told) if pins else "this board has no such analog channel"
            if refusal:
                return role, "The calibration of %s is not kept: %s." % (hello.plain(role), refusal)
        before = dict(self._entries)
        if told.get("forget") is True:
            self._entries.pop(role, None)
        else:
            entry = {"pin": pins[0]}
            for name in _NUMBERS + ("made_on", "meter", "gain_uncertainty_ratio"):
                if name in told:
                    entry[name] = told[name]
            self._entries[role] = entry
        refusal = self._write() or (find_no_room() if find_no_room else "")
        if refusal:
            self._entries = before
            self._write()
            return role, "The calibration of %s is not kept: %s." % (hello.plain(role), refusal)
        self.remark = ""
        return role, ""

    def _write(self):
        """Save; returns why that is impossible, else an empty text."""
        text = "{" + ",".join([hello.quote(role) + ":{" + self._members(role) + "}" for role in self._entries]) + "}"
        if len(text) > FILE_BYTES_MOST:
            return "all roles together take %d bytes, %d fit; forget one" % (len(text), FILE_BYTES_MOST)
        try:
            self._save(text)
        except OSError as error:
            return "the board's flash does not take it (%s)" % error
        return ""

    def _members(self, role):
        entry = self._entries[role]
        parts = ['"pin":%d' % entry["pin"]]
        for name in _NUMBERS + ("gain_uncertainty_ratio",):
            if name in entry:
                parts.append('"%s":%s' % (name, hello.number(entry[name])))
        for name in ("made_on", "meter"):
            parts.append('"%s":%s' % (name, hello.quote(entry[name])))
        return ",".join(parts)

    def describe(self):
        """JSON objects for the hello, in channel order: what is kept for the channels that there are."""
        described = []
        for role, pin in self._config.CHANNELS:
            if role in self._entries and self._entries[role].get("pin") == pin:
                described.append('{"role":%s,%s}' % (hello.quote(role), self._members(role)))
        return described


def _parse(text):
    try:
        return json.loads(text)
    except (ValueError, RuntimeError, OverflowError):  # RuntimeError: too deep, under some interpreters
        raise ValueError("it is no JSON")


def find_refusal(config, role, entry):
    """Why these figures cannot be the calibration of this role: part of a sentence, empty where they can."""
    for name in _NUMBERS:
        if not _is_number(entry.get(name)):
            return "%s is no number" % name
    nominal_v_per_code, nominal_offset_v = hello.volts_of_code(config, role)
    gain, offset_v, uncertainty_v = entry["gain_v_per_code"], entry["offset_v"], entry["uncertainty_v"]
    ratio = gain / nominal_v_per_code
    if not 1 / GAIN_RATIO_MOST <= ratio <= GAIN_RATIO_MOST:
        return "gain_v_per_code %s is far from the %s of its parts" % (
            hello.number(gain),
            hello.number(nominal_v_per_code),
        )
    most_v = OFFSET_SHARE_MOST * config.ADC_CODES * abs(nominal_v_per_code)
    if abs(offset_v - nominal_offset_v) > most_v:
        return "offset_v %s is far from the %s of its parts" % (hello.number(offset_v), hello.number(nominal_offset_v))
    if not 0 < uncertainty_v <= most_v:
        return "uncertainty_v %s is not between 0 and %s" % (hello.number(uncertainty_v), hello.number(most_v))
    if "gain_uncertainty_ratio" in entry:
        share = entry["gain_uncertainty_ratio"]
        if not _is_number(share) or not 0 <= share <= OFFSET_SHARE_MOST:
            return "gain_uncertainty_ratio is not between 0 and %s" % hello.number(OFFSET_SHARE_MOST)
    if not _is_date(entry.get("made_on")):
        return "made_on is no date like 2026-02-28"
    meter = entry.get("meter")
    if not isinstance(meter, str) or not 1 <= len(meter) <= METER_LETTERS_MOST or hello.plain(meter) != meter:
        return "meter has to be 1 to %d plain letters" % METER_LETTERS_MOST
    return ""


def _is_number(value):
    # True is an int to Python. Nothing that a calibration says is larger than this, infinity included.
    return type(value) in (int, float) and -100000 < value < 100000


def _is_date(text):
    if not isinstance(text, str) or len(text) != 10 or text[4] != "-" or text[7] != "-":
        return False
    digits = text[:4] + text[5:7] + text[8:]
    if not all(["0" <= letter <= "9" for letter in digits]):
        return False
    year, month, day = int(digits[:4]), int(digits[4:6]), int(digits[6:])
    is_leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return 2000 <= year and 1 <= month <= 12 and 1 <= day <= _DAYS[month - 1] and (is_leap or (month, day) != (2, 29))
