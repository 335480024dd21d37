"""The main loop: one step() takes commands, averages what has been converted, frames it and hands it to the port.

Nothing in a step waits, and while streaming nothing in it allocates; starting, stopping and answering commands may.
"""

from ampwire import layout, messages

from logger import (
    average,
    commands,
    frame_path,
    framer,
    hello,
    kept_calibration,
    kernels,
    lamp,
    self_test,
    session,
    status,
    thermometer,
    transmit_queue,
)
from logger.clock import TICKS_MASK, Every, Uptime, elapsed
from logger.edges import Lines
from logger.marks import Button

HEARTBEAT_MS = 2000  # without a word from the host for this long, streaming stops
_SECOND_MS = 1000
_FRAMES_A_STEP = 8  # between two looks at the port
_PIECES_A_STEP = 64  # a little more than eight frames and a hello
_LOOK_MS = 10  # between two looks at host, button and lamp: a mark may be late by this much
_EDGE_WINDOW_MS = 100  # in which a line is heard until it has made so many edges:
_EDGES_A_WINDOW = 8
_REST_MS = 8  # longest sleep between two turns
_LOSING_MS = 2000
_LEAVE_MS = 300  # for the reply to go out
_LONGEST_US = 10000000


class Logger:
    """The whole board. source, port, pins, clock: see logger/__init__.py; facts: logger.facts.Facts.

    mode: name of the mode to begin with. Call step() for ever; it returns whether there was anything to do.
    """

    def __init__(self, config, source, port, pins, clock, facts, mode=None, queue_memory=None):
        self._config = config
        self._source = source
        self._port = port
        self._pins = pins
        self._clock = clock
        self._facts = facts
        # What takes memory in one piece comes first: later it may be in crumbs.
        self._hello_memory = bytearray(layout.MAX_FRAME_BYTES - layout.HEADER_BYTES - layout.CRC_BYTES)
        now_ms = self._now_ms()
        crc_table = kernels.make_crc_table()
        self.counters = status.Counters()
        self.queue = transmit_queue.TransmitQueue(queue_memory or bytearray(32768), hasattr(port, "write_packets"))
        self.framer = framer.Framer(self.queue, self.counters, crc_table)
        self.averager = average.Averager(source.ring)
        self.session = session.Session(facts.random_bytes)
        self.mode = mode if mode in config.MODES else config.DEFAULT_MODE
        self.is_streaming = False
        self.is_testing = False
        self._received = bytearray(64)
        self._reader = commands.CommandReader(crc_table)
        self._lines = Lines(config.DIGITAL)
        self._button = Button()
        self._status = status.StatusMessage(self.counters, facts.extra_status)
        self._edge = bytearray(2)
        self._mark = bytearray(1)
        self._calibration = kept_calibration.KeptCalibration(config, facts.load_calibration, facts.save_calibration)
        self._test = self_test.SelfTest(config, source)
        self._uptime = Uptime(now_ms)
        self._every_second = Every(_SECOND_MS, now_ms)
        self._is_host_there = False
        self._heard_ms = now_ms
        self._lost_ms = (now_ms - _LOSING_MS) & TICKS_MASK
        self._leave_ms = -1
        self._has_fault = False
        self._is_lit = False
        self._looked_ms = (now_ms - _LOOK_MS) & TICKS_MASK
        # A board that can note the instant of an edge by itself does; else the lines are read once a turn.
        self._catchers = getattr(pins, "catchers", ())
        self._polls_lines = not self._catchers
        self._n_edges = bytearray(len(self._catchers))  # in this window
        self._edge_window_ms = now_ms
        self._rests = True
        self._begin_load(self._now_us())
        self._make_hello()

    def _now_ms(self):
        return self._clock.ticks_ms() & TICKS_MASK

    def _now_us(self):
        return self._clock.ticks_us() & TICKS_MASK

    # ---- one turn of the loop ---------------------------------------------------------------------------------------

    def step(self):
        """Do what is to be done now; True when that was anything."""
        start_us = self._clock.ticks_us() & TICKS_MASK
        now_ms = self._clock.ticks_ms() & TICKS_MASK
        is_busy = False
        if self.is_streaming:
            is_busy = self._acquire(now_ms)
        if (now_ms - self._looked_ms) & TICKS_MASK >= _LOOK_MS:
            is_busy = self._look_round(now_ms) or is_busy
        is_busy = self._send(now_ms) or is_busy
        took_us = (self._clock.ticks_us() - start_us) & TICKS_MASK
        if self._busy_us < _LONGEST_US:
            self._busy_us += took_us if took_us < _LONGEST_US else _LONGEST_US
        if took_us > self._worst_us:
            self._worst_us = took_us
        return is_busy

    def rest_ms(self):
        """Milliseconds for which there will be nothing to do; ask after step()."""
        if self.queue.n_queued() >= transmit_queue.PIECE_BYTES:
            return 1  # the port is full; it takes a packet in less than that
        if not self.is_streaming:
            return _REST_MS
        return _REST_MS if self._rests else 0

    def _look_round(self, now_ms):
        """What need not be done in every turn: host, button, lamp, the messages of every second."""
        self._looked_ms = now_ms
        self._uptime.update(now_ms)
        is_busy = self._receive(now_ms)
        if self.is_testing:
            self._continue_test(now_ms)
        elif self.is_streaming:
            self._watch_button(now_ms)
            if (now_ms - self._edge_window_ms) & TICKS_MASK >= _EDGE_WINDOW_MS:
                self._end_edge_window(now_ms)
        if self._every_second.is_due(now_ms):
            self._tell_every_second(now_ms)
        self._set_lamp(now_ms)
        if self._leave_ms >= 0 and elapsed(now_ms, self._leave_ms) >= _LEAVE_MS:
            self._facts.leave()
        return is_busy

    def shut_down(self):
        """Stop the converter and put the lamp out. For the end of main.py, however it comes."""
        self._end_streaming()
        self._source.stop()
        self._pins.led(False)

    def _begin_load(self, now_us):
        self._load_since_us = now_us
        self._busy_us = 0
        self._worst_us = 0
        self._ring_most = 0

    def _set_lamp(self, now_ms):
        if self.is_testing:
            state = lamp.TESTING
        elif self._has_fault:
            state = lamp.FAULT
        elif not self.is_streaming:
            state = lamp.IDLE
        elif elapsed(now_ms, self._lost_ms) < _LOSING_MS:
            state = lamp.LOSING
        else:
            state = lamp.STREAMING
        is_lit = lamp.is_on(state, now_ms)
        if is_lit != self._is_lit:
            self._is_lit = is_lit
            self._pins.led(is_lit)

    # ---- from the converter to the queue ----------------------------------------------------------------------------

    def _acquire(self, now_ms):
        if (now_ms - self._heard_ms) & TICKS_MASK > HEARTBEAT_MS:
            self._lose_host()
            return True
        averager = self.averager
        position = self._source.position()
        if self._source.overflowed():  # asked after the position: what was converted up to there is sound otherwise
            self._restart_after_overflow(now_ms)
            return True
        self._watch_lines(position, now_ms)
        waiting = (position - averager.read) & TICKS_MASK
        if waiting > self._ring_most:
            self._ring_most = waiting
        if waiting > averager.most_backlog:
            self._count_overrun(averager.skip_overrun(position), now_ms)
            waiting = (position - averager.read) & TICKS_MASK
        self._rests = waiting < averager.n_ring >> 2  # a ring a quarter full wants more turns
        n_frames = waiting // averager.frame_conversions
        if n_frames == 0:
            return False
        self._make_frames(n_frames if n_frames < _FRAMES_A_STEP else _FRAMES_A_STEP)
        events = self._frame_events
        if events[frame_path.SPOILT] or events[frame_path.DROPPED]:
            self._count_events(events, now_ms)
        return True

    def _count_events(self, events, now_ms):
        self._lost_ms = now_ms
        n_scans = self.stream.scans_per_frame
        self.counters.add(status.OVERRUNS, events[frame_path.SPOILT])
        self.counters.add(status.OVERRUN_SCANS, events[frame_path.SPOILT] * n_scans)
        self.counters.add(status.QUEUE_DROPPED_FRAMES, events[frame_path.DROPPED])
        self.counters.add(status.QUEUE_DROPPED_SCANS, events[frame_path.DROPPED] * n_scans)
        events[frame_path.SPOILT] = 0
        events[frame_path.DROPPED] = 0

    def _count_overrun(self, n_scans, now_ms):
        self.framer.lose_scans(n_scans)
        self.counters.add(status.OVERRUNS, 1)
        self.counters.add(status.OVERRUN_SCANS, n_scans)
        self._lost_ms = now_ms

    def _scans_ahead(self, position):
        """Scans between the next SAMPLES frame's first and the one being converted at `position`."""
        return self.averager.backlog(position) // self.averager.scan_conversions

    def _watch_lines(self, position, now_ms):
        catchers = self._catchers
        for k in range(len(catchers)):
            if catchers[k].n_caught():
                self._take_edges(k, catchers[k], now_ms)
        if self._polls_lines:
            lines = self._lines
            for k in range(lines.n_lines):
                if lines.is_changed(k, self._pins):
                    self._send_edge(k, position, now_ms)

    def _take_edges(self, k, catcher, now_ms):
        catcher.hold()
        n_caught = catcher.n_caught()
        for i in range(n_caught):
            if self._lines.is_other(k, catcher.level(i)):
                self._send_edge(k, catcher.position(i), now_ms)
        # What came while the catcher was full or held is not known to the instant; the level must be right at last.
        if self._lines.is_changed(k, self._pins):
            self._send_edge(k, self._source.position(), now_ms)
        self._n_edges[k] += n_caught
        if self._n_edges[k] < _EDGES_A_WINDOW:
            catcher.release()
        else:
            catcher.stop()  # a line that chatters would take the time that the samples need

    def _end_edge_window(self, now_ms):
        self._edge_window_ms = now_ms
        for k in range(len(self._catchers)):
            if self._n_edges[k] >= _EDGES_A_WINDOW:
                self._catchers[k].start()
                if self._lines.is_changed(k, self._pins):
                    self._send_edge(k, self._source.position(), now_ms)
            self._n_edges[k] = 0

    def _send_edge(self, k, position, now_ms):
        self._edge[0] = 0x80 | k
        self._edge[1] = 0x80 | self._lines.levels[k]
        self._message(layout.KIND_EDGE, self._edge, 2, self._scans_ahead(position), now_ms)

    def _watch_button(self, now_ms):
        if self._button.is_new_press(self._pins.button(), now_ms):
            self._set_mark(layout.MARK_BUTTON, self._source.position(), now_ms)

    def _set_mark(self, source_of_mark, position, now_ms):
        self._mark[0] = source_of_mark
        self._message(layout.KIND_MARK, self._mark, 1, self._scans_ahead(position), now_ms)

    # ---- from the queue to the port ---------------------------------------------------------------------------------

    def _message(self, kind, payload, n_payload, index_offset, now_ms):
        if not self.framer.send_message(kind, payload, n_payload, index_offset):
            self._lost_ms = now_ms

    def _send(self, now_ms):
        return self.queue.pump(self._port, _PIECES_A_STEP) > 0

    def _tell_every_second(self, now_ms):
        # While the queue is too full for both they stay due, and go out as soon as there is room.
        if self._is_host_there and self.queue.n_free() < self._hello.n_bytes + len(self._status.text) + 128:
            return
        self._every_second.done(now_ms)
        self._has_streamed_a_second = self.is_streaming
        if self.is_streaming:
            self._set_anchor()
        if not self.is_streaming and elapsed(now_ms, self._heard_ms) > HEARTBEAT_MS:
            self._is_host_there = False
        if self._is_host_there:
            self._send_hello(now_ms)
            self._send_status(now_ms)
        self._begin_load(self._now_us())
        self.queue.most_bytes = 0

    def _ahead_now(self):
        return self._scans_ahead(self._source.position()) if self.is_streaming else 0

    def _send_hello(self, now_ms):
        self._hello.set_levels(self._lines.levels)
        self._message(layout.KIND_HELLO, self._hello.text, self._hello.n_bytes, self._ahead_now(), now_ms)

    def _send_status(self, now_ms):
        status_message = self._status
        took_ms = elapsed(self._now_us(), self._load_since_us) // 1000 + 1
        busy_percent = min(100, self._busy_us // (10 * took_ms))
        status_message.set_uptime(self._uptime.seconds, self._uptime.milliseconds)
        status_message.set_load(busy_percent, self._worst_us, self.queue.most_bytes, self._ring_most)
        status_message.set_free_bytes(self._facts.free_bytes())
        status_message.set_die_tenths(self._die_tenths())
        status_message.set_counters()
        self._message(layout.KIND_STATUS, status_message.text, len(status_message.text), self._ahead_now(), now_ms)

    def _die_tenths(self):
        if not self.is_streaming:
            return self._facts.die_tenths()
        if not (self.stream.has_temperature and self._has_streamed_a_second):
            return None
        return thermometer.tenths_of_sum(self.averager.sum_before(thermometer.READINGS))

    def _send_text(self, kind, text, now_ms):
        raw = text.encode()
        self._message(kind, raw, len(raw), self._ahead_now(), now_ms)

    def _reply(self, command, is_ok, text, now_ms, more=""):
        name = messages.COMMAND_NAMES[command]
        answer = '{"for":"%s","ok":%s,"text":%s%s}' % (name, "true" if is_ok else "false", hello.quote(text), more)
        if len(answer) > self.framer.payload_most:  # a virtual board with many channels: without the figures
            answer = '{"for":"%s","ok":%s,"text":%s}' % (name, "true" if is_ok else "false", hello.quote(text[:1000]))
        self._send_text(layout.KIND_REPLY, answer, now_ms)

    def _fault(self, code, text, now_ms):
        self._has_fault = True
        self._tell_fault(code, text, now_ms)

    def _tell_fault(self, code, text, now_ms, more=""):
        self._send_text(layout.KIND_FAULT, '{"code":"%s","text":%s%s}' % (code, hello.quote(text), more), now_ms)

    # ---- commands ---------------------------------------------------------------------------------------------------

    def _receive(self, now_ms):
        n = self._port.read_into(self._received)
        reader = self._reader
        i = 0
        while i < n:
            n_bad = reader.n_bad
            if reader.push(self._received[i]):
                self._obey(reader.kind, now_ms)
            if reader.n_bad != n_bad:
                self.counters.add(status.BAD_COMMANDS, 1)
                if reader.other_version:
                    self._refuse_version(now_ms)
            i += 1
        return n > 0

    def _refuse_version(self, now_ms):
        text = "The program speaks wire version %d, this board version %d; install the firmware that came with it."
        self._fault("other-version", text % (self._reader.other_version, layout.PROTOCOL_VERSION), now_ms)
        self._reader.other_version = 0

    def _obey(self, kind, now_ms):
        self._heard_ms = now_ms
        if not self._is_host_there:
            self._is_host_there = True
            self.queue.clear()
            self.queue.put_delimiter()  # a host that joins in the middle of a frame knows where the next one begins
        if kind == layout.KIND_HEARTBEAT:
            return
        if kind == layout.KIND_IDENTIFY:
            self._make_hello_if_idle()
            self._send_hello(now_ms)
        elif kind == layout.KIND_START:
            self._start(now_ms, kind)
        elif kind == layout.KIND_STOP:
            self._stop(now_ms)
        elif kind == layout.KIND_MARK_NOW:
            self._mark_for_host(now_ms)
        elif kind == layout.KIND_MODE:
            self._change_mode(self._reader.payload_text(), now_ms)
        elif kind == layout.KIND_SELF_TEST:
            self._begin_test(now_ms)
        elif kind == layout.KIND_LEAVE:
            self._leave(now_ms)
        elif kind == layout.KIND_KEEP_CALIBRATION:
            self._keep_calibration(now_ms)
        else:
            self.counters.add(status.BAD_COMMANDS, 1)

    def _mark_for_host(self, now_ms):
        if self.is_streaming:
            self._set_mark(layout.MARK_HOST, self._source.position(), now_ms)
            self._reply(layout.KIND_MARK_NOW, True, "Marked.", now_ms)
        else:
            self._reply(layout.KIND_MARK_NOW, False, "Not streaming, so there is nothing to mark.", now_ms)

    def _leave(self, now_ms):
        if self._facts.leave is None:
            self._reply(layout.KIND_LEAVE, False, "This board has no prompt to leave to.", now_ms)
            return
        if self.is_streaming:
            self._stop(now_ms)
        self._reply(layout.KIND_LEAVE, True, "Resetting once to the prompt.", now_ms)
        self._leave_ms = now_ms

    def _change_mode(self, mode, now_ms):
        text = hello.find_refusal(self._config, mode, self.averager.n_ring, self._facts.channels_most)
        if mode not in self._config.MODES:
            text = "This board has no mode '%s'; it has %s." % (mode, ", ".join(sorted(self._config.MODES)))
        if text:
            self._reply(layout.KIND_MODE, False, text, now_ms)
            return
        was_streaming = self.is_streaming
        text = "Mode %s." % mode
        if mode != self.mode:
            self.mode = mode
            self._end_streaming()
            try:
                self._facts.save_mode(mode)
            except OSError as error:
                text += " The board's flash does not keep it over a reset (%s)." % error
        self._reply(layout.KIND_MODE, True, text, now_ms)
        if was_streaming and not self.is_streaming:
            self._start(now_ms, layout.KIND_MODE)
        self._make_hello_if_idle()

    def _keep_calibration(self, now_ms):
        if self.is_streaming or self.is_testing:
            self._reply(layout.KIND_KEEP_CALIBRATION, False, "Stop streaming first.", now_ms)
            return
        role, refusal = self._calibration.take(self._reader.payload_text(), self._find_no_room)
        self._make_hello_if_idle()
        text = refusal or "The calibration of %s is kept." % role
        self._reply(layout.KIND_KEEP_CALIBRATION, not refusal, text, now_ms)

    def _find_no_room(self):
        # Room for what a start and another mode add to it.
        n_over = self._new_hello(self._calibration.describe()).n_bytes + 64 - self.framer.payload_most
        return "the hello would be %d bytes too long; shorten the words about the meter" % n_over if n_over > 0 else ""

    # ---- sessions ---------------------------------------------------------------------------------------------------

    def _make_hello(self):
        # The hello of a configuration that will be refused still has to be made: it is what the host reads first.
        self.stream = hello.Stream(self._config, self.mode, getattr(self._source, "has_thermometer", False))
        self._hello = self._new_hello(self._calibration.describe(), self._calibration.remark)
        if self._hello.n_bytes > self.framer.payload_most:  # the configuration has grown since it was kept
            self._hello = self._new_hello((), "The kept calibration finds no room in this message and is not used.")

    def _new_hello(self, calibration, remark=""):
        return hello.Hello(
            self._hello_memory,
            self._config,
            self.stream,
            self._facts,
            self.session,
            self.is_streaming,
            self._lines.levels,
            calibration,
            remark,
        )

    def _make_hello_if_idle(self):
        if not self.is_streaming:
            self._lines.read_all(self._pins)
            self._make_hello()

    def _start(self, now_ms, command):
        self.is_testing = False
        self._end_streaming()
        refusal = hello.find_refusal(self._config, self.mode, self.averager.n_ring, self._facts.channels_most)
        if refusal:
            self._refuse_start(command, "configuration", refusal, now_ms)
            return
        self._begin_session()
        try:
            if self.stream.has_temperature:
                self._source.start(self.stream.cycles, self.stream.n_channels, self.stream.pins, True)
            else:
                self._source.start(self.stream.cycles, self.stream.n_channels, self.stream.pins)
        except ValueError as error:
            self._end_streaming()
            self._refuse_start(command, "converter", str(error), now_ms)
            return
        self._set_anchor()
        if command == layout.KIND_START:
            self._reply(command, True, "Streaming.", now_ms)
        self._send_hello(now_ms)
        self._every_second.restart(now_ms)

    def _refuse_start(self, command, code, text, now_ms):
        self._fault(code, text, now_ms)
        self._reply(command, False, text, now_ms)

    def _begin_session(self):
        self.session.begin()
        self._has_fault = False
        self.is_streaming = True
        self._has_streamed_a_second = False
        for k in range(len(self._catchers)):
            self._n_edges[k] = 0
            self._catchers[k].start()
        self._lines.read_all(self._pins)
        self._make_hello()
        self.counters.begin_session()
        self.queue.put_delimiter()
        self.framer.begin(self.session.tag, self.stream.n_channels, self.stream.scans_per_frame)
        first_position = getattr(self._source, "first_position", 0)
        stream = self.stream
        self.averager.begin(first_position, stream.n_channels, stream.averaging, stream.scans_per_frame, stream.n_slots)
        self._make_frames, self._frame_events = frame_path.make_frame_path(
            self._source.position, self.averager, self.framer, self.queue
        )
        self._facts.tidy_memory()  # now, and not while conversions wait

    def _end_streaming(self):
        if self.is_streaming:
            self.is_streaming = False
            self._source.stop()
            for catcher in self._catchers:
                catcher.stop()

    def _stop(self, now_ms):
        if self.is_streaming:
            self._send_status(now_ms)  # with the last word on what was lost
        self._end_streaming()
        self._make_hello_if_idle()
        self._reply(layout.KIND_STOP, True, "Stopped.", now_ms)

    def _lose_host(self):
        self._end_streaming()
        self._is_host_there = False
        self.queue.clear()
        self._make_hello_if_idle()

    def _restart_after_overflow(self, now_ms):
        # How many conversions are missing is unknown, so no index can be right any more: a new session. Converter and
        # clock run on one crystal, so the clock tells how many scans lie between what was framed last and the new
        # session: to within the time between reading the one and the other.
        self.counters.add(status.FIFO_OVERFLOWS, 1)
        self._lost_ms = now_ms
        n_framed = (self.averager.read - self._anchor_position) & TICKS_MASK
        if n_framed >= 0x20000000:  # what was framed last lies before the anchor
            n_framed -= 0x40000000
        since_us, scan_conversions = self._anchor_us, self.averager.scan_conversions
        self._start(now_ms, layout.KIND_MODE)
        text, more = "The converter lost conversions; a new session was begun.", ""
        if self.is_streaming:
            n_new = (self._source.position() - getattr(self._source, "first_position", 0)) & TICKS_MASK
            passed_us = elapsed(self._now_us(), since_us)
            mhz = self._config.ADC_CLOCK_HZ // 1000000
            n_missing = passed_us * mhz // self.stream.cycles - n_new - n_framed
            n_lost = (n_missing + scan_conversions // 2) // scan_conversions
            text += " %d scans are missing before it, by the board's clock." % n_lost
            more = ',"lost_scans":%d' % n_lost
        self._tell_fault("fifo-overflow", text, now_ms, more)

    def _set_anchor(self):
        self._anchor_position = self._source.position()
        self._anchor_us = self._now_us()

    # ---- self test --------------------------------------------------------------------------------------------------

    def _begin_test(self, now_ms):
        refusal = hello.find_refusal(self._config, self.mode, self.averager.n_ring, self._facts.channels_most)
        if self.is_streaming:
            refusal = "Stop streaming first."
        if refusal:
            self._reply(layout.KIND_SELF_TEST, False, refusal, now_ms)
            return
        self.is_testing = True
        try:
            self._test.begin(self.stream, now_ms)
        except ValueError as error:
            self.is_testing = False
            self._reply(layout.KIND_SELF_TEST, False, str(error), now_ms)

    def _continue_test(self, now_ms):
        if not self._test.is_done(now_ms):
            return
        self.is_testing = False
        is_ok, text, more = self._test.judge()
        self._reply(layout.KIND_SELF_TEST, is_ok, text, now_ms, more)
