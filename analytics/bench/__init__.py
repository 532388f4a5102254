"""The bench: a history of realistic shape in a database of its own, and what is measured on it.

Rows are ratios against baselines that run in the same call: absolute times say more about the
machine than about the code."""
