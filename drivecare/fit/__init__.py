"""Which drive fits this unit: host profiles, candidates, checks, the plan and its steps. Pure."""
