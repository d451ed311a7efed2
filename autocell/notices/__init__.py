"""Who is told what came of a night, and what shows from outside that somebody still works."""
