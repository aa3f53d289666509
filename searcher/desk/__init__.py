"""The desk: a page on this machine alone, for the morning's what-ifs.

`wishes` says what may be changed and which trip comes of it, `whatif` plans that trip again with what did
not change, `handover` writes the result, `page` shows it and `guard` keeps strangers out.
"""
