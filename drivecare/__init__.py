"""Carry one pulled drive through a whole bench job: read, assess, plan, copy, verify, gate, hand over."""

__version__ = "0.2.0"
