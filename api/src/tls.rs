//! TLS of the connections that the service opens: whoever the system trusts, and nobody else.

use rustls::{ClientConfig, RootCertStore};
use std::sync::Arc;

/// What such a connection is set up with.
///
/// # Errors
/// When there is no common version of TLS.
pub(crate) fn trusting_the_system() -> Result<ClientConfig, rustls::Error> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    Ok(ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth())
}
