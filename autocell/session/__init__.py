"""Runs on a bench that is one's own: who owns it, what the run before left, from bench file to
finished run."""
