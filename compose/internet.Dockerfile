# The internet: names, time, web, and the fixed line's provider. Context and labels: harness/setup/images.py.
FROM branchproof/base:bench

RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends chrony dnsmasq-base python3-aiohttp python3-jwt \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/*

COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.internet.main"]
