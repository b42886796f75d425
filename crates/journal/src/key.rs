//! The key with which a device signs what it writes.
//!
//! The secret half stands in a file of its own beside the programme file (`NAME.key`), never in the programme file,
//! its backups or the journal: who copies the programme does not copy the right to write as this device.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use uuid::Uuid;

use crate::body::PublicKey;
use crate::error::Error;
use crate::hash::{Hash, hex_bytes};

/// First bytes of whatever is signed about an entry; the entry's hash follows.
const ENTRY_DOMAIN: &[u8] = b"earlywood/signature/1";
/// First bytes of any other message that a device signs (a sync challenge).
const MESSAGE_DOMAIN: &[u8] = b"earlywood/message/1";

impl PublicKey {
    /// Whether `signature` was made over an entry's hash with the secret half of this key.
    pub fn signed(&self, entry: &Hash, signature: &[u8]) -> bool {
        self.verifies(&[ENTRY_DOMAIN, &entry.0].concat(), signature)
    }

    /// Whether `signature` was made over `message` (no entry) with the secret half of this key.
    pub fn signed_message(&self, message: &[u8], signature: &[u8]) -> bool {
        self.verifies(&[MESSAGE_DOMAIN, message].concat(), signature)
    }

    /// Strict: refuses weak keys and every second spelling of a signature (RFC 8032 section 8.4 leaves that open).
    fn verifies(&self, bytes: &[u8], signature: &[u8]) -> bool {
        let key = VerifyingKey::from_bytes(&self.0);
        let signature = Signature::from_slice(signature);
        matches!((key, signature), (Ok(key), Ok(signature)) if key.verify_strict(bytes, &signature).is_ok())
    }
}

/// A device's identity and its secret key. The secret is wiped from memory when this is dropped.
pub struct DeviceKey {
    device: Uuid,
    secret: SigningKey,
}

impl fmt::Debug for DeviceKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "DeviceKey({}, {})", self.device, self.public())
    }
}

impl DeviceKey {
    /// A new key of the operating system's randomness.
    ///
    /// # Errors
    /// A system that gives no random bytes.
    pub fn generate(device: Uuid) -> Result<Self, Error> {
        let mut seed = [0; 32];
        getrandom::fill(&mut seed)
            .map_err(|e| Error::Key(format!("the system gives no random numbers: {e}")))?;
        Ok(Self::from_seed(device, seed))
    }

    /// The key with these secret bytes.
    pub fn from_seed(device: Uuid, seed: [u8; 32]) -> Self {
        DeviceKey {
            device,
            secret: SigningKey::from_bytes(&seed),
        }
    }

    /// The device.
    pub fn device(&self) -> Uuid {
        self.device
    }

    /// The half that everybody may know.
    pub fn public(&self) -> PublicKey {
        PublicKey(self.secret.verifying_key().to_bytes())
    }

    /// Signs an entry's hash.
    pub(crate) fn sign_entry(&self, entry: &Hash) -> [u8; 64] {
        self.secret.sign(&[ENTRY_DOMAIN, &entry.0].concat()).to_bytes()
    }

    /// Signs any other message; never to be mistaken for a signed entry.
    pub fn sign_message(&self, message: &[u8]) -> [u8; 64] {
        self.secret.sign(&[MESSAGE_DOMAIN, message].concat()).to_bytes()
    }

    /// Where the key of a programme file is kept.
    pub fn path_beside(programme: &Path) -> PathBuf {
        let mut name = programme.as_os_str().to_owned();
        name.push(".key");
        name.into()
    }

    /// Reads a key file; `None` when there is none.
    ///
    /// # Errors
    /// A file that can't be read or is no key file.
    pub fn read(path: &Path) -> Result<Option<Self>, Error> {
        let text = match fs::read_to_string(path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(Error::io(path, e)),
        };
        let not = || Error::Key(format!("{} is no device key", path.display()));
        let mut words = text.split_whitespace();
        if words.next() != Some(FORMAT) {
            return Err(not());
        }
        let device = words.next().and_then(|w| w.parse().ok()).ok_or_else(not)?;
        let seed = words.next().and_then(hex_bytes::<32>).ok_or_else(not)?;
        Ok(Some(Self::from_seed(device, seed)))
    }

    /// Writes the key file, readable by its owner only, and has it on the disk before it returns. A key that is there
    /// already is put aside as `NAME.key.DEVICE`, never overwritten.
    ///
    /// # Errors
    /// A folder that can't be written.
    pub fn write(&self, path: &Path) -> Result<(), Error> {
        if let Some(old) = Self::read(path)? {
            let mut aside = path.as_os_str().to_owned();
            aside.push(format!(".{}", old.device));
            fs::rename(path, &aside).map_err(|e| Error::io(path, e))?;
        }
        self.write_new(path)
    }

    /// The same, where no key file may be there yet.
    ///
    /// # Errors
    /// A key file that is there; a folder that can't be written.
    pub fn write_new(&self, path: &Path) -> Result<(), Error> {
        let seed: String = self
            .secret
            .to_bytes()
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        let mut options = OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let written = options.open(path).and_then(|mut file| {
            writeln!(file, "{FORMAT} {} {seed}", self.device)?;
            file.sync_all()
        });
        written.map_err(|e| Error::io(path, e))?;
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new("."));
        if cfg!(unix) {
            File::open(folder)
                .and_then(|f| f.sync_all())
                .map_err(|e| Error::io(folder, e))?;
        }
        Ok(())
    }
}

/// First word of a key file.
const FORMAT: &str = "earlywood-device-key-1";

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032 section 7.1, TEST 1 and TEST 2: secret seed and public key.
    #[test]
    fn public_keys_as_in_rfc_8032() {
        for (seed, public) in [
            (
                "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
                "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            ),
            (
                "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
                "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            ),
        ] {
            let key = DeviceKey::from_seed(Uuid::nil(), hex_bytes(seed).unwrap());
            assert_eq!(key.public().to_string(), public);
            assert_eq!(public.parse(), Ok(key.public()));
        }
    }

    #[test]
    fn a_signature_holds_for_its_entry_its_key_and_its_domain_only() {
        let key = DeviceKey::generate(Uuid::nil()).unwrap();
        let other = DeviceKey::generate(Uuid::nil()).unwrap();
        let hash = Hash::of(b"entry");
        let signature = key.sign_entry(&hash);
        assert!(key.public().signed(&hash, &signature));
        assert!(!other.public().signed(&hash, &signature));
        assert!(!key.public().signed(&Hash::of(b"another"), &signature));
        assert!(!key.public().signed_message(&hash.0, &signature));
        assert!(!key.public().signed(&hash, &signature[..63]));
        for bit in 0..512 {
            let mut bent = signature;
            bent[bit / 8] ^= 1 << (bit % 8);
            assert!(!key.public().signed(&hash, &bent), "bit {bit}");
        }
    }

    #[test]
    fn a_key_file_is_private_comes_back_and_is_never_overwritten() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.key");
        assert!(DeviceKey::read(&path).unwrap().is_none());
        let first = DeviceKey::generate(Uuid::from_u128(1)).unwrap();
        first.write(&path).unwrap();
        assert_eq!(DeviceKey::read(&path).unwrap().unwrap().public(), first.public());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        }
        DeviceKey::generate(Uuid::from_u128(2))
            .unwrap()
            .write(&path)
            .unwrap();
        let aside = dir.path().join(format!("a.key.{}", Uuid::from_u128(1)));
        assert_eq!(DeviceKey::read(&aside).unwrap().unwrap().public(), first.public());
        fs::write(&path, "something else").unwrap();
        assert!(matches!(DeviceKey::read(&path), Err(Error::Key(_))));
    }
}
