"""Frames -> blocks; counters -> gaps with a cause."""

from ampwitness.decode.decoder import Decoder, iter_decoded, refuse_unreadable

__all__ = ["Decoder", "iter_decoded", "refuse_unreadable"]
