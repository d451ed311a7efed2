"""The morning report: what came of a night, on a page, in the terminal and as JSON."""
