"""Error-detecting codes over bits: which exist, what they compute, what they are guaranteed to notice.

Knows no frames and no fields; whoever asks says which octets or bits are covered.

algorithm  what one check is (a frozen row)
catalog    every named check, and custom CRCs
crc        computing them, by the fastest engine that gives the same answer
sums       sums, parity and the like: their rows and their arithmetic
strength   the Hamming distance that is guaranteed at a length
"""
