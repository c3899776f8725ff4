"""Sizing of a battery eliminator: a supply that stands in for a removed battery.

Pure arithmetic. Every figure carries its formula and where its constants are from, so
that somebody else can work it out again.
"""
