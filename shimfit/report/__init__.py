"""The record of a run, for somebody who was not there: JSON, CSV and PDF, the figures behind it, what is due.

Everything starts from a run as it stands (`standing.RunState`); `record.RunRecord` adds what its record
states beside. Both are frozen; `record.record_of` asks an open log for them, and nothing reads a clock.
"""
