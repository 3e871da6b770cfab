"""Widgets: each in its own file. They draw values that they are handed and report what was tapped or typed."""
