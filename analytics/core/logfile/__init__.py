"""Reading a log as loggers and spreadsheets write it: its text, its header, its numbers, its times."""
