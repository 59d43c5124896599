"""A drive or an image copied sector by sector, and proven.

Plan and decide, of values alone (`tests/test_house.py` reads this list):

    guards       what must hold before a target is written
    damage       the order in which a damaged source is read: what promises most comes next
    promise      what a read promises, from where damage lies and what the drive has shown
    worth        what a byte counts by what lies there: what is used comes before what is free
    experience   what the drive has shown: times, chances, how long damage is
    stride       damage that recurs, and where it is expected next
    stages       the map: every byte is unread, copied, or known by the smallest read of it that failed
    digests      what proves chunks, and what names the whole
    segments     what was read, cut at chunk boundaries and hashed
    fill         what the target holds where the source could not be read
    journal      the document that an interrupted copy continues from
    resume       what a journal still claims, and whether these are its two ends
    recognition  whether these ends are the ones of the journal: by name, or by what they hold
    partitions   which partition an area lies in
    comparison   what is read back, held against what it must be
    finalize     the receipt, made of all this
    receipt      the document that proves a copy

Run, on media behind the port `transfer.medium`:

    engine       the whole story of a copy, to one target or several: start here
    looking      finds out, through the copy, what is used of a source that is losing data
    target_side  one target of it: written, its journal, read back
    reader       reads the source in the order of `damage`
    liveness     asks a medium that only fails whether it still reads anything
    joint_progress  one report of what several targets do at once
    pipeline     reads, hashes and writes at the same time
    readback     reads the whole target back
    verify       reads it back again, any time later
    tail         clears the end of a larger target
    probe        tests whether an empty target has the size it claims
    surface_scan reads a surface and times it
    journal_file keeps the journal on a disk
    bad_places   lets reads of a medium fail, for the demo
    whole_transfers  completes short reads and writes
"""
