"""The outlook as sentences.

All take the checked parameters, in SI, and the outlook, what is known before the run. What they say
is a list of rows, label and value with its unit, or of full sentences.
"""
