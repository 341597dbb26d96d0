//! The server's settings: given on its command line, so that they come with the program and not with the data.

use std::ffi::OsString;
use std::fs;
use std::path::Path;

use super::Durability;

const MIB: u64 = 1024 * 1024;

/// The same for every cluster. Statements and the values in them stay out of the log: they are customers' data.
const COMMON: [&str; 10] = [
    "listen_addresses=",
    "unix_socket_permissions=0700",
    "jit=off",
    "timezone=UTC",
    "log_timezone=UTC",
    "log_destination=stderr",
    "logging_collector=off",
    "log_line_prefix=%m [%p] %u@%d ",
    "log_min_error_statement=panic",
    "log_error_verbosity=terse",
];

/// The setting to try if the server was built with LZ4.
pub(super) const WAL_LZ4: &str = "wal_compression=lz4";
/// What every server can do.
pub(super) const WAL_PGLZ: &str = "wal_compression=on";

/// All settings but the socket's, for a machine with this much memory.
pub(super) fn for_durability(durability: Durability, memory_bytes: Option<u64>) -> Vec<OsString> {
    let mut settings: Vec<OsString> = COMMON.iter().map(OsString::from).collect();
    match durability {
        Durability::Safe => {
            // A quarter of the memory: PostgreSQL's documentation, "Resource Consumption". The service and its
            // reports live on the same machine, so never more than 1 GiB.
            let buffers = memory_bytes.map_or(256, |bytes| (bytes / 4 / MIB).clamp(32, 1024));
            settings.push(format!("shared_buffers={buffers}MB").into());
            if let Some(bytes) = memory_bytes {
                settings.push(format!("effective_cache_size={}MB", bytes / 2 / MIB).into());
            }
            settings.extend(["max_wal_size=2GB", "max_connections=100"].map(OsString::from));
        }
        Durability::Volatile => settings.extend(
            [
                "shared_buffers=128MB",
                "fsync=off",
                "full_page_writes=off",
                "synchronous_commit=off",
                "autovacuum=off",
                "wal_level=minimal",
                "max_wal_senders=0",
                "max_connections=200",
            ]
            .map(OsString::from),
        ),
    }
    settings
}

/// Where to listen. The setting is a list; a [`SocketFolder`](super::socket::SocketFolder) has no comma in its path.
pub(super) fn for_socket(folder: &Path, port: u16) -> [OsString; 2] {
    let mut directories = OsString::from("unix_socket_directories=");
    directories.push(folder);
    [directories, format!("port={port}").into()]
}

/// The memory of the machine, or of the container if that is less; `None` where Linux's files do not say.
pub(super) fn memory_bytes() -> Option<u64> {
    let machine = fs::read_to_string("/proc/meminfo").ok().and_then(|text| total_memory(&text))?;
    let container = fs::read_to_string("/sys/fs/cgroup/memory.max").ok().and_then(|text| text.trim().parse().ok());
    Some(container.map_or(machine, |limit: u64| limit.min(machine)))
}

/// `MemTotal` of `/proc/meminfo`, which counts in KiB.
fn total_memory(meminfo: &str) -> Option<u64> {
    let line = meminfo.lines().find_map(|line| line.strip_prefix("MemTotal:"))?;
    line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()?.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn buffers(memory_bytes: Option<u64>) -> String {
        let settings = for_durability(Durability::Safe, memory_bytes);
        let found = settings.iter().filter_map(|s| s.to_str()?.strip_prefix("shared_buffers="));
        found.map(str::to_owned).collect::<Vec<_>>().join(",")
    }

    #[test]
    fn shared_buffers_are_a_quarter_of_the_memory_within_bounds() {
        assert_eq!(buffers(None), "256MB");
        assert_eq!(buffers(Some(64 * MIB)), "32MB");
        assert_eq!(buffers(Some(2048 * MIB)), "512MB");
        assert_eq!(buffers(Some(65536 * MIB)), "1024MB");
    }

    #[test]
    fn the_total_memory_is_read_in_kibibytes() {
        let meminfo = "MemTotal:       24576000 kB\nMemFree:        21000000 kB\n";
        assert_eq!(total_memory(meminfo), Some(24_576_000 * 1024));
        assert_eq!(total_memory("MemFree: 1 kB"), None);
    }
}
