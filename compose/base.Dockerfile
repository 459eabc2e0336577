# What every stand-in stands on: Python and the network tools. It holds no code of the bench but the one script that the
# topology runs in it, so that a change of code rebuilds the last layer of a stand-in and no package is fetched again.
# The base (branchproof/debian:bookworm) is pulled or made from the archive: see harness/setup/base.py.
FROM branchproof/debian:bookworm

# No daemon is started by its own installation (policy-rc.d, Debian Policy 9.3.3.1 via invoke-rc.d(8)); no manuals.
RUN printf '#!/bin/sh\nexit 101\n' > /usr/sbin/policy-rc.d && chmod 755 /usr/sbin/policy-rc.d \
 && printf 'path-exclude=/usr/share/man/*\npath-exclude=/usr/share/doc/*\npath-exclude=/usr/share/locale/*\n' \
      > /etc/dpkg/dpkg.cfg.d/branchproof \
 && export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends \
      ca-certificates iproute2 iputils-ping nftables python3 python3-asn1crypto python3-cryptography \
      python3-dnspython tcpdump \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/*

# A copy has neither the set-user-id bit nor the file capability: ping works as far as the stand-in's own rights go, and
# does not refuse to start where they hold no NET_RAW.
RUN cp /usr/bin/ping /usr/bin/ping.plain && mv /usr/bin/ping.plain /usr/bin/ping \
 && find / -xdev -type f -perm /6000 -exec chmod a-s {} +

# pysnmp (client, hq) takes CFB and the DES family from where cryptography 43 moved them (cryptography.hazmat.decrepit).
# Debian 12 has cryptography 38, where they are in their old place: the new names lead there.
RUN dir=/usr/lib/python3/dist-packages/cryptography/hazmat/decrepit/ciphers \
 && mkdir -p $dir && touch $dir/__init__.py $dir/../__init__.py \
 && echo 'from cryptography.hazmat.primitives.ciphers.modes import CFB, CFB8, OFB  # noqa: F401' > $dir/modes.py \
 && echo 'from cryptography.hazmat.primitives.ciphers.algorithms import TripleDES  # noqa: F401' > $dir/algorithms.py \
 && python3 -m compileall -q $dir/..

# /flash is where a stand-in's volume lies; it must be there, since the root file system is read-only in the lab.
RUN mkdir -p /flash
ENV PYTHONPATH=/opt/branchproof PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1 LC_ALL=C.UTF-8
WORKDIR /
COPY opt/ /opt/branchproof/
ENTRYPOINT []
CMD ["true"]
