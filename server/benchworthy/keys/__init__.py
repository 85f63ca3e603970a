"""Keys: the site's secret and what is derived from it, Ed25519 keys, tokens that can be checked offline.

secret     files that hold a secret: the site secret and Ed25519 private keys
derive     field keys, run keys and broker passwords out of the site secret
verifier   is this report signed by the key it names? (ports.Verifier)
signer     certificates and status lists signed by the site (ports.Signer)
bench_key  the key of one bench
status     what a certificate is worth, decided without asking the service
access     secrets of API users
"""
