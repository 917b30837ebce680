"""From pictures of fish to a gate that knows how often it is wrong.

The parts, in the order in which data meets them:

- foundation: ``errors``, ``files``, ``config``, ``policy``, ``scores``, ``progress``, ``parallel``
- ``stats``: exact limits, paired comparisons, sequential tests; numbers without fish
- ``demo``: draws the invented river, its sampling trips and its season
- ``intake``: a batch folder becomes a checked batch or a list of findings
- ``dataset``: accepted batches become immutable versions with lasting roles
- ``recognition``: pictures become scores per class
- ``decision``: scores become pass, hold or reject under demonstrated limits
- ``evaluation``: what the rule did to each class, with exact limits
- ``gate``: the package a gate computer loads, and its verification
- ``service``: the gate's log and what is learnt from it
- ``planning``: how many fish, how large the run, what a miss rate means
- ``pipeline``: one function per stage, called by ``cli`` and ``web`` alike
"""
