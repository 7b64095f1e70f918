"""Arithmetic of the trade and statistics: arrays and small frozen dataclasses in, the same out."""
