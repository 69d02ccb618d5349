"""Repair histories of vehicle lighting become lives, survival curves, suspicion, plans and pages."""

__version__ = "0.1.0"
