"""One file a command, each thin: options in, text out."""
