//! Text files that are whole or absent.

use std::io::{self, Write};
use std::path::Path;

/// Writes under a hidden name and moves it into place. Errors: it exists (unless `overwrite`), the disk.
pub(super) fn save(path: &Path, text: &str, overwrite: bool) -> io::Result<()> {
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".fogbell-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the umask takes from it what others must not do.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder)?;
    file.write_all(text.as_bytes())?;
    let placed = if overwrite { file.persist(path) } else { file.persist_noclobber(path) };
    placed.map(drop).map_err(|why| why.error)
}
