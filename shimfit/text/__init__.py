"""What a person reads, as plain text: phrases, signs and drawings for screen, plain mode and commands."""
