"""Figures and messages for others; never in the way of control."""
