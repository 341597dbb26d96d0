//! Which IP addresses the service sends to: those of the public internet, so that nobody can have it
//! knock at doors of the network it stands in.
//!
//! By the special-purpose registries of IANA (RFC 6890): whatever is not globally reachable is
//! refused, and so is what carries such an address inside (IPv4-mapped, NAT64, 6to4).

use core::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Networks that are not globally reachable, with the bits that name them.
const V4: [(Ipv4Addr, u32); 16] = [
    (Ipv4Addr::new(0, 0, 0, 0), 8),
    (Ipv4Addr::new(10, 0, 0, 0), 8),
    (Ipv4Addr::new(100, 64, 0, 0), 10),
    (Ipv4Addr::new(127, 0, 0, 0), 8),
    (Ipv4Addr::new(169, 254, 0, 0), 16),
    (Ipv4Addr::new(172, 16, 0, 0), 12),
    (Ipv4Addr::new(192, 0, 0, 0), 24),
    (Ipv4Addr::new(192, 0, 2, 0), 24),
    (Ipv4Addr::new(192, 88, 99, 0), 24),
    (Ipv4Addr::new(192, 168, 0, 0), 16),
    (Ipv4Addr::new(198, 18, 0, 0), 15),
    (Ipv4Addr::new(198, 51, 100, 0), 24),
    (Ipv4Addr::new(203, 0, 113, 0), 24),
    // Multicast, and what is reserved with the broadcast address.
    (Ipv4Addr::new(224, 0, 0, 0), 4),
    (Ipv4Addr::new(240, 0, 0, 0), 4),
    (Ipv4Addr::new(255, 255, 255, 255), 32),
];

/// The same of IPv6, within its global unicast addresses.
const V6: [(Ipv6Addr, u32); 3] = [
    // Protocol assignments, Teredo and benchmarking among them.
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23),
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32),
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20),
];

/// Global unicast: nothing else of IPv6 is reachable from everywhere.
const V6_GLOBAL: (Ipv6Addr, u32) = (Ipv6Addr::new(0x2000, 0, 0, 0, 0, 0, 0, 0), 3);
/// Addresses that carry one of IPv4: 6to4 (bits 16 to 48) and NAT64 (the last 32).
const V6_OF_V4: (Ipv6Addr, u32) = (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16);
const V6_NAT64: (Ipv6Addr, u32) = (Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, 0, 0), 96);

/// Whether the service may send there: to public addresses, and to this machine itself where that
/// is opened for tests and development.
#[must_use]
pub fn may_be_sent_to(address: IpAddr, loopback: bool) -> bool {
    match address.to_canonical() {
        IpAddr::V4(v4) => (loopback && v4.is_loopback()) || is_public_v4(v4),
        IpAddr::V6(v6) => (loopback && v6.is_loopback()) || is_public_v6(v6),
    }
}

fn is_public_v4(address: Ipv4Addr) -> bool {
    let within = |(network, bits): &(Ipv4Addr, u32)| {
        (address.to_bits() ^ network.to_bits()).checked_shr(32 - bits).unwrap_or(0) == 0
    };
    !V4.iter().any(within)
}

fn is_public_v6(address: Ipv6Addr) -> bool {
    let within = |(network, bits): &(Ipv6Addr, u32)| {
        (address.to_bits() ^ network.to_bits()).checked_shr(128 - bits).unwrap_or(0) == 0
    };
    let [_, a, b, _, _, _, c, d] = address.segments();
    let v4 = |high: u16, low: u16| Ipv4Addr::from((u32::from(high) << 16) | u32::from(low));
    if within(&V6_OF_V4) {
        return is_public_v4(v4(a, b));
    }
    if within(&V6_NAT64) {
        return is_public_v4(v4(c, d));
    }
    within(&V6_GLOBAL) && !V6.iter().any(within)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn private_and_special_addresses_are_refused() {
        let refused = "0.0.0.0 10.1.2.3 100.64.0.1 127.0.0.1 127.9.9.9 169.254.169.254 172.16.0.1 172.31.255.255 \
            192.0.0.8 192.168.1.1 198.18.0.1 203.0.113.9 224.0.0.1 239.1.1.1 240.0.0.1 255.255.255.255 :: ::1 \
            ::ffff:10.0.0.1 ::ffff:127.0.0.1 ::7f00:1 64:ff9b::a00:1 64:ff9b:1::1 100::1 2001::1 2001:db8::1 2002:a00:1:: 3fff::1 \
            fc00::1 fd12::1 fe80::1 fec0::1 ff02::1 5f00::1";
        for text in refused.split_whitespace() {
            assert!(!may_be_sent_to(text.parse().unwrap(), false), "{text}");
        }
        let taken = "1.1.1.1 100.63.255.255 100.128.0.1 172.15.0.1 172.32.0.1 192.0.1.1 198.17.0.1 223.255.255.255 \
            2606:4700::1111 2001:4860:4860::8888 2002:808:808:: 64:ff9b::808:808 ::ffff:8.8.8.8";
        for text in taken.split_whitespace() {
            assert!(may_be_sent_to(text.parse().unwrap(), false), "{text}");
        }
    }

    #[test]
    fn loopback_is_opened_alone() {
        assert!(may_be_sent_to("127.0.0.1".parse().unwrap(), true));
        assert!(may_be_sent_to("::1".parse().unwrap(), true));
        assert!(may_be_sent_to("::ffff:127.0.0.1".parse().unwrap(), true));
        assert!(!may_be_sent_to("10.0.0.1".parse().unwrap(), true));
    }
}
