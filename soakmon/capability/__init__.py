"""What the decider can do, measured on nights whose truth is known."""
