"""The local app: bring clips in, wait, review, correct, share. Everything stays in one folder on this machine."""
