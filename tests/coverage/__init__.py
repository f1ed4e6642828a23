"""Coverage: whether the 95 % interval of each everyday metric holds the true value 95 times in 100.

Signals, digitizer and truths are of this folder alone: nothing of the package's analysis or simulation is in them.
"""
