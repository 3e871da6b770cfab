"""The whole run from one box."""
