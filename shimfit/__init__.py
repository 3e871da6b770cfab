"""shimfit: plumb guard posts from the packs in the box, and keep a record that can be believed."""

__version__ = "0.1.0"
