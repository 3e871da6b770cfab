"""After tightening: from the packs in place and the new reading to what to change."""
