"""One module per command of the command line, each with a click command named `command`."""
