"""Small slips, put into the code one at a time: which of them would no test notice?

`python -m tests.mutation` draws some, runs the fast tests against each in a private copy of the tree, and names the
survivors. `targets.py` says which files and how many of each, `operators.py` which slips, `equivalent.toml` which
survivors change nothing that anybody could see.
"""
