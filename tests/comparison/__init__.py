"""Compare what two revisions say about many reports: the safety net under a change that must change nothing."""
