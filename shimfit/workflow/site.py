"""One open data file and everything that can be done on it, by screen or by command."""

from __future__ import annotations
