# HC2 covariance and Satterthwaite degrees of freedom of Bell and McCaffrey (2002), by matrices.
d <- head(cars, 12)
X <- cbind(1, d$speed); y <- d$dist; n <- nrow(X)
A <- solve(crossprod(X)); b <- A %*% crossprod(X, y)
H <- X %*% A %*% t(X); M <- diag(n) - H; e <- as.vector(M %*% y); h <- diag(H)
value <- function(c) {
  w <- as.vector(X %*% A %*% c)
  variance <- sum(w^2 * e^2 / (1 - h))
  # G: column i is M_i w_i / sqrt(1 - h_i); df from the eigenvalues of G'G.
  G <- sweep(M, 2, w / sqrt(1 - h), "*")
  l <- eigen(crossprod(G), symmetric = TRUE, only.values = TRUE)$values
  print(c(value = sum(c * b), se = sqrt(variance), df = sum(l)^2 / sum(l^2)), digits = 15)
}
value(c(0, 1))
value(c(1, 6))
