"""Where jobs are kept. No other room knows.

    port      what a record can do, whichever store keeps it, and how a result is filed in any of them
    folder    the default store: one folder a job, plain files that need no tool
    memory    a store that is gone with the process, for tests
    location  which folder, and which store, the person means

What results mean is not decided here: the room `job` does that, from the contents it is handed.
"""
