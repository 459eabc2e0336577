# Headquarters: the IKEv2 gateway (the default command) and, by another command, the endpoint behind it.
# libcharon-extra-plugins carries kernel-libipsec: ESP in user space, where the kernel has none.
FROM branchproof/base:bench

RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends \
      charon-systemd freeradius libcharon-extra-plugins libstrongswan-extra-plugins \
      libstrongswan-standard-plugins python3-aiohttp python3-paramiko strongswan-swanctl \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/*

COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.hq.gateway"]
