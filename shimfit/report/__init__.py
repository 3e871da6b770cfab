"""The record of a run, for somebody who was not there: JSON, CSV and PDF, the figures behind it, what is due.

Everything starts from `record.RunRecord`, a frozen picture of one run; nothing here reads a file or a clock.
"""
