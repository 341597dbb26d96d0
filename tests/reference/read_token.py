"""Reads an access token as another program would: fetches the key set and verifies by PyJWT alone.

Arguments: the key set's address, the issuer, the audience. The token comes by standard input. The
claims and the header go to standard output as one JSON object.
"""

import json
import sys

import jwt

address, issuer, audience = sys.argv[1:]
token = sys.stdin.read().strip()
key = jwt.PyJWKClient(address).get_signing_key_from_jwt(token)
claims = jwt.decode(
    token,
    key.key,
    algorithms=["EdDSA"],
    issuer=issuer,
    audience=audience,
    options={"require": ["iss", "exp", "aud", "sub", "client_id", "iat", "jti"]},
)
json.dump({"header": jwt.get_unverified_header(token), "claims": claims}, sys.stdout)
