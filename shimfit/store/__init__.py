"""The event log in one embedded file, and the state that is read from it."""
