"""What is counted while it records, for the person who looks on; the file's bytes decide afterwards."""

from __future__ import annotations

from ampwire.layout import KIND_STATUS, SEQ_BYTES
from ampwitness.link.monitor import StreamMonitor
from ampwitness.types import Frame


def frames(*numbers: int) -> list[Frame]:
    return [Frame(KIND_STATUS, 7, seq, 0, 0, b"{}", 0.0, 0) for seq in numbers]


def test_missing_numbers_are_lost_frames_also_where_they_start_again_from_zero() -> None:
    n_numbers = 128**SEQ_BYTES  # seven bits a byte: protocol/SPEC.md
    monitor = StreamMonitor()
    monitor.push(frames(n_numbers - 3, n_numbers - 2, 1, 2))  # the last number and 0 are missing
    assert (monitor.n_frames, monitor.n_frames_lost) == (4, 2)


def test_a_frame_that_comes_late_is_no_loss_of_all_that_lie_between() -> None:
    monitor = StreamMonitor()
    monitor.push(frames(100, 101, 40))
    assert monitor.n_frames_lost == 0
