//! Encrypted connections with the keeper's own certificate.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// A certificate and its key, ready to be used.
#[derive(Clone)]
pub struct Tls(pub(crate) TlsAcceptor);

/// Why a certificate can't be used.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file can't be read as PEM.
    #[error("{}: {why}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// Certificate and key don't go together, or can't be used.
    #[error("the certificate can't be used: {0}")]
    Pair(String),
}

impl Tls {
    /// Reads a certificate chain and its private key, both PEM (as ACME clients write them).
    ///
    /// # Errors
    /// A file that can't be read; a certificate and a key that don't go together.
    pub fn read(certificate: &Path, key: &Path) -> Result<Self, TlsError> {
        let file = |path: &Path, why: String| TlsError::File {
            path: path.to_owned(),
            why,
        };
        let chain = CertificateDer::pem_file_iter(certificate)
            .and_then(|certificates| certificates.collect::<Result<Vec<_>, _>>())
            .map_err(|e| file(certificate, e.to_string()))?;
        if chain.is_empty() {
            return Err(file(certificate, "holds no certificate (PEM)".into()));
        }
        let secret = PrivateKeyDer::from_pem_file(key).map_err(|e| file(key, e.to_string()))?;
        let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, secret))
            .map_err(|e| TlsError::Pair(e.to_string()))?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Tls(TlsAcceptor::from(Arc::new(config))))
    }
}
