"""Where a printer's lines come from: a firmware's own interface, a serial line, a log file, a broker."""
