//! Who types: the name that notes, set-asides and placements are kept under.
//!
//! Called by: place, remarks.

/// The user's name: as the environment tells, or else as the system knows the
/// effective user.
pub fn user() -> String {
    let file = |path| std::fs::read_to_string(path).unwrap_or_default();
    let said = |name: &&str| std::env::var(name).ok().filter(|name| !name.is_empty());
    let said = ["USER", "LOGNAME"].iter().find_map(said);
    said.unwrap_or_else(|| known(&file("/proc/self/status"), &file("/etc/passwd")))
}

/// The name of a process's effective user, by what the kernel says of it and
/// the list of users; its number where the list has none.
fn known(status: &str, users: &str) -> String {
    let ids = status.lines().find_map(|line| line.strip_prefix("Uid:"));
    // Real, effective, saved, of the file system.
    let Some(id) = ids.and_then(|ids| ids.split_whitespace().nth(1)) else {
        return "not said".to_owned();
    };
    let name = users.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, _, of) = (fields.next()?, fields.next()?, fields.next()?);
        (of == id && !name.is_empty()).then(|| name.to_owned())
    });
    name.unwrap_or_else(|| format!("uid {id}"))
}

#[cfg(test)]
mod tests {
    use super::known;

    #[test]
    fn the_effective_user_is_found_by_number() {
        let users = "root:x:0:0:root:/root:/bin/sh\n\nbroken\nada:x:1000:1000::/home/ada:/bin/sh\n";
        let status = |real: u32, effective: u32| {
            format!("Name:\twakerail\nUid:\t{real}\t{effective}\t{real}\t{real}\nGid:\t7\t7\n")
        };
        assert_eq!(known(&status(0, 1000), users), "ada");
        assert_eq!(known(&status(1000, 0), users), "root");
        assert_eq!(known(&status(1000, 1001), users), "uid 1001");
        assert_eq!(known(&status(0, 100), users), "uid 100");
        assert_eq!(known("", users), "not said");
    }

    /// The system says the same of this process as the shell's own tool.
    #[test]
    fn this_process_has_a_user() {
        let file = |path| std::fs::read_to_string(path).unwrap_or_default();
        let said = std::process::Command::new("id").arg("-u").output();
        let said = said.expect("the tool `id` of POSIX");
        let id = String::from_utf8_lossy(&said.stdout).trim().to_owned();
        assert_eq!(known(&file("/proc/self/status"), ""), format!("uid {id}"));
    }
}
