//! User name and password, from a file of their own. They are never logged and never shown.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use thiserror::Error;

const FILE_BYTES_MAX: u64 = 4096;

/// A user name and a password.
#[derive(Clone, PartialEq, Eq)]
pub struct Credentials {
    pub user: String,
    pub password: String,
}

impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "Credentials {{ user: {:?}, password: (not shown) }}",
            self.user
        )
    }
}

/// Why a credential file cannot be used.
#[derive(Debug, Error)]
pub enum CredentialsError {
    /// It cannot be read.
    #[error("credential file {path} cannot be read: {why}")]
    Unreadable {
        path: String,
        /// What the system said.
        why: String,
    },
    /// Others may read it.
    #[error(
        "credential file {path} may be read by everybody; take that right away: chmod o= {path}"
    )]
    Open { path: String },
    /// It does not hold two lines.
    #[error(
        "credential file {path} must hold the user name in its first line and the password in its second, nothing else, at most {FILE_BYTES_MAX} bytes"
    )]
    Shape { path: String },
}

impl Credentials {
    /// Reads a credential file.
    ///
    /// # Errors
    /// When it cannot be read, everybody may read it, or it is not two lines.
    pub fn read(path: &Path) -> Result<Self, CredentialsError> {
        let shown = path.display().to_string();
        let unreadable = |e: std::io::Error| CredentialsError::Unreadable {
            path: shown.clone(),
            why: e.to_string(),
        };
        let file = File::open(path).map_err(unreadable)?;
        let mode = file.metadata().map_err(unreadable)?.permissions().mode();
        if mode & 0o007 != 0 {
            return Err(CredentialsError::Open { path: shown });
        }
        let mut text = String::new();
        file.take(FILE_BYTES_MAX.saturating_add(1))
            .read_to_string(&mut text)
            .map_err(unreadable)?;
        let mut lines = text.lines();
        match (lines.next(), lines.next(), lines.next()) {
            (Some(user), Some(password), None)
                if !user.is_empty() && !password.is_empty() && text.len() <= 4096 =>
            {
                Ok(Self {
                    user: user.to_owned(),
                    password: password.to_owned(),
                })
            }
            _ => Err(CredentialsError::Shape { path: shown }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn file(text: &str, mode: u32) -> (tempfile::TempDir, std::path::PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("broker");
        fs::write(&path, text).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
        (dir, path)
    }

    #[test]
    fn two_lines_are_read_and_the_password_is_not_shown() {
        let (_dir, path) = file("tank\nsecret words \n", 0o640);
        let read = Credentials::read(&path).unwrap();
        assert_eq!(
            (read.user.as_str(), read.password.as_str()),
            ("tank", "secret words ")
        );
        assert!(!format!("{read:?}").contains("secret"));
    }

    #[test]
    fn a_file_that_everybody_may_read_is_refused() {
        let (_dir, path) = file("tank\nsecret\n", 0o644);
        let error = Credentials::read(&path).unwrap_err().to_string();
        assert!(error.contains("chmod o="), "{error}");
        assert!(!error.contains("secret"));
    }

    #[test]
    fn a_file_of_another_shape_is_refused_without_quoting_it() {
        for text in ["", "tank\n", "tank\n\n", "a\nb\nc\n", &"x".repeat(5000)] {
            let (_dir, path) = file(text, 0o600);
            let error = Credentials::read(&path).unwrap_err().to_string();
            assert!(error.contains("first line"), "{error}");
        }
    }
}
