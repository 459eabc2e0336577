# A client on one LAN port: DHCP, and the probes of the acceptance (DEVELOPERS.md, "Probes").
FROM branchproof/base:bench

RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends python3-paramiko udhcpc \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/*.bin /var/log/*

# pysnmp takes CFB and the DES family from where cryptography 43 moved them (cryptography.hazmat.decrepit). Debian 12 has
# cryptography 38, where they are in their old place: the new names lead there.
RUN dir=/usr/lib/python3/dist-packages/cryptography/hazmat/decrepit/ciphers \
 && mkdir -p $dir && touch $dir/__init__.py $dir/../__init__.py \
 && echo 'from cryptography.hazmat.primitives.ciphers.modes import CFB, CFB8, OFB  # noqa: F401' > $dir/modes.py \
 && echo 'from cryptography.hazmat.primitives.ciphers.algorithms import TripleDES  # noqa: F401' > $dir/algorithms.py \
 && python3 -m compileall -q $dir/..

COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.client.main"]
