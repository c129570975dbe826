"""Pure computing: from what a device said to what it means. No I/O, no clock, no log."""
