"""From the journal to the broker: what to send next, how it is written, and who says it arrived."""
