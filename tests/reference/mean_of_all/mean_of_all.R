# Thirteen groups, each against the mean of all: `Rscript mean_of_all.R` in this folder
# writes data.csv and expected.json.
library(nlme)
RNGkind("Mersenne-Twister", "Inversion", "Rejection"); set.seed(7)
groups <- sprintf("G%02d", 1:13); ages <- seq(7, 140, by = 19)
data <- do.call(rbind, lapply(seq_along(groups), function(g) {
  A <- 1500 * exp(rnorm(1, 0, 0.05)); ti <- 45 + rnorm(1, 0, 1.5); k <- 0.03 * exp(rnorm(1, 0, 0.04))
  do.call(rbind, lapply(seq_len(4 + g %% 3), function(b) {
    Ab <- A * exp(rnorm(1, 0, 0.05)); tb <- ti + rnorm(1)
    data.frame(bird = sprintf("%s-%d", groups[g], b), strain = groups[g], age_d = ages,
               weight_g = round(Ab * exp(-exp(-k * (ages - tb))) + rnorm(length(ages), 0, 12), 1))
  }))
}))
write.csv(data, "data.csv", row.names = FALSE, quote = FALSE)
data$strain <- factor(data$strain)
f <- function(age, A, k, ti) A * exp(-exp(-k * (age - ti)))
jac <- function(age, A, k, ti) { e <- exp(-k * (age - ti)); v <- exp(-e)
  cbind(A = v, k = A * v * e * (age - ti), ti = -A * v * e * k) }

# Pooled: nls a group, sandwich by bird, c / (c - 1) sum of psi psi'.
fits <- lapply(levels(data$strain), function(s) {
  d <- data[data$strain == s, ]
  m <- nls(weight_g ~ f(age_d, A, k, ti), d, start = list(A = 1500, k = 0.03, ti = 45),
           control = nls.control(tol = 1e-5))
  b <- coef(m)
  for (step in 1:20) { J <- jac(d$age_d, b[[1]], b[[2]], b[[3]]); u <- d$weight_g - f(d$age_d, b[[1]], b[[2]], b[[3]])
    b <- b + drop(solve(crossprod(J), crossprod(J, u))) } # Gauss and Newton's steps to all digits
  J <- jac(d$age_d, b[["A"]], b[["k"]], b[["ti"]]); u <- d$weight_g - f(d$age_d, b[["A"]], b[["k"]], b[["ti"]])
  H <- solve(crossprod(J)); birds <- unique(d$bird); c <- length(birds)
  psi <- t(sapply(birds, function(i) H %*% colSums(J[d$bird == i, ] * u[d$bird == i])))
  list(b = b, V = c / (c - 1) * crossprod(psi), df = c - 1)
})
G <- length(fits); p <- 3
beta <- unlist(lapply(fits, function(x) x$b)); V <- matrix(0, G * p, G * p)
for (g in seq_len(G)) { at <- (g - 1) * p + 1:p; V[at, at] <- fits[[g]]$V }
# "eff" contrasts: the identity less 1/G.
E <- diag(G) - matrix(1 / G, G, G)
contrast <- function(grad, value) { # grad: G x p, value: G
  L <- matrix(0, G, G * p); for (g in seq_len(G)) for (h in seq_len(G)) L[g, (h - 1) * p + 1:p] <- E[g, h] * grad[h, ]
  est <- as.vector(E %*% value)
  list(L = L, est = est)
}
satterthwaite <- function(grad) sapply(seq_len(G), function(g) {
  part <- sapply(seq_len(G), function(h) E[g, h]^2 * drop(grad[h, ] %*% fits[[h]]$V %*% grad[h, ]))
  sum(part)^2 / sum(part^2 / sapply(fits, function(x) x$df)) })
out <- list()
terms <- matrix(beta, G, p, byrow = TRUE)
for (j in 1:p) { grad <- matrix(0, G, p); grad[, j] <- 1; k <- contrast(grad, terms[, j])
  se <- sqrt(diag(k$L %*% V %*% t(k$L))); df <- satterthwaite(grad); pv <- 2 * pt(-abs(k$est / se), df)
  out[[c("A", "k", "ti")[j]]] <- list(difference = k$est, std_error = se, p_value = pv, p_adjusted = p.adjust(pv, "holm"),
                                     percent = 100 * k$est / abs(mean(terms[, j]))) }
at <- function(age) { grad <- t(sapply(seq_len(G), function(g) jac(age, terms[g, 1], terms[g, 2], terms[g, 3])))
  k <- contrast(grad, sapply(seq_len(G), function(g) f(age, terms[g, 1], terms[g, 2], terms[g, 3])))
  list(est = k$est, L = k$L, df = satterthwaite(grad)) }
day <- at(100); out$at_100 <- list(difference = day$est, std_error = sqrt(diag(day$L %*% V %*% t(day$L))))
# sup-t of each group along the days, 100,000 draws, each day with a separate variance from that number of units; the degrees
# of freedom are no whole number, so with the whole ones below and above.
days <- lapply(seq(7, 140, by = 2), at); root <- t(chol(V + diag(0, G * p)))
factor_of <- function(g) { L <- t(sapply(days, function(x) x$L[g, ])); df <- min(sapply(days, function(x) x$df[g]))
  R <- L %*% root; R <- R / sqrt(rowSums(R^2)); q <- qr.R(qr(t(R))); R <- t(q[rowSums(abs(q)) > 1e-12, , drop = FALSE])
  draw <- function() R %*% matrix(rnorm(ncol(R) * 1e4), ncol(R))
  of <- function(n) unname(quantile(replicate(10, { s <- 0; for (i in seq_len(n)) s <- s + draw()^2
    apply(abs(draw()) / sqrt(s / n), 2, max) }), 0.95))
  c(of(ceiling(df)), of(floor(df))) }
out$factor <- sapply(1:2, factor_of)

# Mixed: fixed effects by group, independent random A and ti by bird, maximum likelihood.
start <- c(terms[, 1], terms[, 2], terms[, 3])
smooth <- deriv(~ A * exp(-exp(-k * (age - ti))), c("A", "k", "ti"), function(age, A, k, ti) NULL)
m <- nlme(weight_g ~ smooth(age_d, A, k, ti), data, fixed = A + k + ti ~ strain - 1, random = pdDiag(A + ti ~ 1), groups = ~bird,
          start = start, method = "ML", control = nlmeControl(pnlsTol = 1e-5, minScale = 1e-8, tolerance = 1e-7, maxIter = 200, msMaxIter = 200))
b <- fixef(m); W <- m$varFix; mixed <- list()
for (j in 1:p) { at <- (j - 1) * G + 1:G
  mixed[[c("A", "k", "ti")[j]]] <- list(difference = as.vector(E %*% b[at]), std_error = sqrt(diag(E %*% W[at, at] %*% t(E)))) }
out$mixed <- mixed
json <- function(x) if (is.list(x)) paste0("{", paste0('"', names(x), '": ', sapply(x, json), collapse = ",\n "), "}") else
  paste0("[", paste(format(x, digits = 15), collapse = ", "), "]")
writeLines(json(out), "expected.json")
