"""What one revision says of many reports, beside what another says: the net under a change that must change nothing."""
