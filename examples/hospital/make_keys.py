"""Make the key pair that this system signs in with: python make_keys.py FOLDER

private-key.json stays here, for its owner alone. public-keys.json goes to whoever runs the service.
"""

import json
import os
import sys
from pathlib import Path

from joserfc.jwk import ECKey


def main(folder: Path) -> None:
    key = ECKey.generate_key("P-384", {"use": "sig", "alg": "ES384"}, private=True, auto_kid=True)
    private = folder / "private-key.json"
    with os.fdopen(os.open(private, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        json.dump(key.as_dict(private=True), file)  # never over a key that is there: it may be in use
    (folder / "public-keys.json").write_text(json.dumps({"keys": [key.as_dict(private=False)]}))
    print(f"{private} (keep it), {folder / 'public-keys.json'} (hand it over)")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
