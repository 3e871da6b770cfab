"""Widgets, each in its own file: they draw what they are handed and report what was tapped or typed."""
