"""What goes on paper: certificates, labels, loan slips. Frozen values in, the bytes of a PDF out.

No clock and no environment: dates come with the values, so the same values give the same bytes. The PDF writer takes
long to load; import these modules where they are used, not at the top of a module that every command loads.

typeface      Fira Sans from its package: what it can show, and how wide
fitting       lines that fit a width, and the size at which text fits
paper         the only file that knows fpdf2's insides: marks, tags, artifacts, squares
qr            QR codes as vectors
flow          blocks, and how they fall on pages
numbers       value and U rounded together, limits, moments, in words
wording       what every certificate and slip says
reading       a results document turned into words
certificate, certificate_parts
sizes, labels
slip
"""
