"""Interruptions of the output: where, how, and what came first."""
